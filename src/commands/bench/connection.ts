import { connect, type Socket } from 'node:net'

/**
 * One kept HTTP/1.1 connection that does no more than a load generator needs: a request whose bytes are ready, and of the
 * answer its status. It costs a fraction of a full client, which would measure itself.
 */
export class Connection {
  readonly #socket: Socket
  #read = ''
  #waiting: ((status: number) => void) | undefined
  #failed: ((error: Error) => void) | undefined

  private constructor(socket: Socket) {
    this.#socket = socket
    socket.setNoDelay(true)
    // Lengths count bytes, and one character of latin1 is one byte.
    socket.setEncoding('latin1')
    socket.on('data', (text: string) => this.#take(text))
    socket.on('error', (error) => this.#fail(error))
    socket.on('close', () => this.#fail(new Error('the service closed the connection')))
  }

  static open(host: string, port: number): Promise<Connection> {
    return new Promise((resolve, reject) => {
      const socket = connect(port, host, () => {
        socket.off('error', reject)
        resolve(new Connection(socket))
      })
      socket.once('error', reject)
    })
  }

  /** Sends one request and resolves with the status of its answer. One at a time. */
  send(head: string, body: string): Promise<number> {
    return new Promise((resolve, reject) => {
      this.#waiting = resolve
      this.#failed = reject
      this.#socket.write(`${head}content-length: ${Buffer.byteLength(body)}\r\n\r\n${body}`)
    })
  }

  close(): void {
    this.#waiting = undefined
    this.#failed = undefined
    this.#socket.destroy()
  }

  #take(text: string): void {
    this.#read += text
    const end = this.#read.indexOf('\r\n\r\n')
    if (end < 0) return
    const length = /\r\ncontent-length: *(\d+)/i.exec(this.#read.slice(0, end))?.[1]
    if (length === undefined) {
      this.#fail(new Error('an answer came without its length'))
      return
    }
    if (this.#read.length < end + 4 + Number(length)) return
    const status = Number(this.#read.slice(9, 12))
    const resolve = this.#waiting
    this.#read = ''
    this.#waiting = undefined
    resolve?.(status)
  }

  #fail(error: Error): void {
    if (this.#waiting === undefined) return
    this.#waiting = undefined
    this.#failed?.(error)
  }
}
