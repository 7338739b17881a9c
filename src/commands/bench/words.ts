/** Figures by key, as the table of bars names them. */
export type Figures = Readonly<Record<string, number>>

/** One bench: tells what it does line by line, and gives its figures. */
export type Bench = (tell: (line: string) => void) => Promise<Figures>
