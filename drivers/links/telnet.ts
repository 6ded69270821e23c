/** Telnet as far as a byte pipe needs it (RFC 854, RFC 855): data apart from commands, and data made safe. Pure. */

export const IAC = 255;
export const TELNET = { se: 240, sb: 250, will: 251, wont: 252, do: 253, dont: 254 } as const;

export interface TelnetSink {
  /** Bytes of the device, in order. */
  data(bytes: Uint8Array): void;
  /** WILL, WONT, DO or DONT for an option. */
  negotiation(verb: number, option: number): void;
  /** A whole subnegotiation, unescaped, its option first. */
  subnegotiation(content: Uint8Array): void;
}

/** No subnegotiation of a serial port is longer; a longer one is passed over. */
const SUBNEGOTIATION_MAX = 512;

type State = 'data' | 'command' | 'option' | 'content' | 'content-command';

/** Takes bytes as they come; a command may be cut anywhere. */
export class TelnetDecoder {
  /** Subnegotiations that were too long. */
  passedOver = 0;
  readonly #sink: TelnetSink;
  #state: State = 'data';
  #verb = 0;
  #content: number[] = [];
  #isTooLong = false;

  constructor(sink: TelnetSink) {
    this.#sink = sink;
  }

  decode(bytes: Uint8Array): void {
    // Most chunks hold data alone.
    if (this.#state === 'data' && !bytes.includes(IAC)) {
      if (bytes.length > 0) this.#sink.data(bytes);
      return;
    }
    const data = new Uint8Array(bytes.length);
    let count = 0;
    const flush = (): void => {
      if (count > 0) this.#sink.data(data.slice(0, count));
      count = 0;
    };
    for (const byte of bytes) {
      switch (this.#state) {
        case 'data':
          if (byte === IAC) this.#state = 'command';
          else data[count++] = byte;
          break;
        case 'command':
          if (byte === IAC) {
            data[count++] = IAC;
            this.#state = 'data';
            break;
          }
          // What was sent before a command comes before it.
          flush();
          this.#command(byte);
          break;
        case 'option':
          this.#state = 'data';
          this.#sink.negotiation(this.#verb, byte);
          break;
        case 'content':
          if (byte === IAC) this.#state = 'content-command';
          else this.#keep(byte);
          break;
        case 'content-command':
          this.#contentCommand(byte);
      }
    }
    flush();
  }

  #command(byte: number): void {
    this.#state = 'data';
    if (byte >= TELNET.will && byte <= TELNET.dont) {
      this.#verb = byte;
      this.#state = 'option';
    } else if (byte === TELNET.sb) {
      this.#content = [];
      this.#isTooLong = false;
      this.#state = 'content';
    }
    // The others (NOP, AYT …) say nothing to a byte pipe.
  }

  #contentCommand(byte: number): void {
    if (byte === IAC) {
      this.#keep(IAC);
      this.#state = 'content';
      return;
    }
    this.#state = 'data';
    if (byte !== TELNET.se) return; // broken off
    if (this.#isTooLong) this.passedOver++;
    else if (this.#content.length > 0) this.#sink.subnegotiation(Uint8Array.from(this.#content));
  }

  #keep(byte: number): void {
    if (this.#content.length < SUBNEGOTIATION_MAX) this.#content.push(byte);
    else this.#isTooLong = true;
  }
}

/** Data on its way out: 255 is written twice. */
export function escapeTelnet(data: Uint8Array): Uint8Array {
  let count = 0;
  for (const byte of data) if (byte === IAC) count++;
  const escaped = new Uint8Array(data.length + count);
  let at = 0;
  for (const byte of data) {
    escaped[at++] = byte;
    if (byte === IAC) escaped[at++] = IAC;
  }
  return escaped;
}

export function subnegotiation(content: readonly number[]): Uint8Array {
  return Uint8Array.from([IAC, TELNET.sb, ...escapeTelnet(Uint8Array.from(content)), IAC, TELNET.se]);
}
