// `npm start` on an empty data folder: it prints the first administrator's key, gets ready, shows its document, and ends
// with exit code 0 on SIGTERM. A second start on the same data prints no key.
import { spawn } from 'node:child_process'
import { chmod, mkdtemp, readFile, rm } from 'node:fs/promises'
import { createServer } from 'node:net'
import { tmpdir } from 'node:os'
import { join } from 'node:path'

const READY_TIME_MAX_MS = 25_000

const directory = await mkdtemp(join(tmpdir(), 'start-'))
// The embedded database may run as another user, who must pass through.
await chmod(directory, 0o711)
try {
  // A terminal signals all of a process group, a supervisor npm alone.
  await startAndStop(/access key.*\n/, (pid) => -pid)
  const second = await startAndStop(/Limitkeep is ready/, (pid) => pid)
  if (/access key/.test(second)) throw new Error('the second start printed an access key')
  console.log('npm start gets ready on an empty folder, stops on SIGTERM, and starts again on its data.')
} finally {
  await rm(directory, { recursive: true, force: true })
}

/**
 * What one start wrote to standard output, logs included; `expected` must be there before it is stopped. `target` says
 * who gets the signal: a process, or below zero its group.
 */
async function startAndStop(expected, target) {
  const port = await freePort()
  const env = { ...process.env, DATA_DIRECTORY: join(directory, 'data'), PORT: String(port), LOG_LEVEL: 'info' }
  // A process group of its own, so that the signal reaches nobody else.
  const child = spawn('npm', ['start'], { env, detached: true, stdio: ['ignore', 'pipe', 'inherit'] })
  let output = ''
  child.stdout.on('data', (chunk) => {
    output += chunk
  })
  // Closed, not just npm's exit: the service holds the output for as long as it lives.
  const ended = new Promise((resolve) => child.once('close', (code, signal) => resolve(code ?? signal)))
  try {
    await ready(`http://127.0.0.1:${port}`, ended, () => expected.test(output))
    process.kill(target(child.pid), 'SIGTERM')
    const stopped = await Promise.race([ended, after(10_000, 'still running 10 s after SIGTERM')])
    // npm itself may end by the signal it was sent; the service says by its log that it stopped in order.
    if (stopped !== 0 && stopped !== 'SIGTERM' && stopped !== 143)
      throw new Error(`it stopped with ${stopped}:\n${output}`)
    if (!output.includes('Stopping.')) throw new Error(`it did not stop in order:\n${output}`)
    return output
  } catch (error) {
    await end(child, ended)
    throw new Error(`${error.message}\n${output}`)
  }
}

/** Ends what is still running after a failure: the service in order if it can, then by force, then its database. */
async function end(child, ended) {
  for (const [signal, waitMs] of [
    ['SIGTERM', 10_000],
    ['SIGKILL', 2_000],
  ]) {
    tryKill(-child.pid, signal)
    await Promise.race([ended, new Promise((resolve) => setTimeout(resolve, waitMs).unref())])
  }
  const pidFile = await readFile(join(directory, 'data', 'postgres', 'postmaster.pid'), 'utf8').catch(() => '')
  const pid = Number.parseInt(pidFile, 10)
  if (pid > 0) tryKill(pid, 'SIGQUIT')
}

function tryKill(pid, signal) {
  try {
    process.kill(pid, signal)
  } catch (error) {
    if (error.code !== 'ESRCH') throw error
  }
}

async function ready(url, ended, hasPrinted) {
  let gone
  ended.then((code) => {
    gone = code
  })
  const deadline = Date.now() + READY_TIME_MAX_MS
  let last = 'no answer'
  while (Date.now() < deadline) {
    if (gone !== undefined) throw new Error(`it ended before it was ready: ${gone}`)
    try {
      const answer = await fetch(`${url}/readyz`)
      last = `${answer.status} ${await answer.text()}`
      if (answer.ok) {
        const document = await fetch(`${url}/openapi/v1.json`)
        if (!document.ok) throw new Error(`/openapi/v1.json answers ${document.status}`)
        if (hasPrinted()) return
        last = 'ready, but it did not print what it should'
      }
    } catch (error) {
      last = error.message
    }
    await new Promise((resolve) => setTimeout(resolve, 100))
  }
  throw new Error(`it was not ready within ${READY_TIME_MAX_MS} ms; last: ${last}`)
}

function freePort() {
  return new Promise((resolve, reject) => {
    const server = createServer()
    server.once('error', reject)
    server.listen(0, '127.0.0.1', () => {
      const { port } = server.address()
      server.close(() => resolve(port))
    })
  })
}

function after(ms, message) {
  return new Promise((_, reject) => setTimeout(() => reject(new Error(message)), ms).unref())
}
