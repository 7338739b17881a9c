// Builds where something changed, then runs what is named in this same process: a shell that waits between npm and the
// service would keep a SIGTERM to itself, and leave the service and its database running alone. Where the shell that npm
// started is gone all the same, npm was stopped, and what it ran stops with it.
import './build.mjs'

const shell = process.ppid
const watch = setInterval(() => {
  if (process.ppid === shell) return
  clearInterval(watch)
  process.kill(process.pid, 'SIGTERM')
}, 250)
watch.unref()

const [, , file] = process.argv
process.argv.splice(1, 1) // What is run finds its own name where it belongs, and its arguments after it.
await import(new URL(`../${file}`, import.meta.url).href)
