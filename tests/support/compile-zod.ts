import 'zod/compile'
