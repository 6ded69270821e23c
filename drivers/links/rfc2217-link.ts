/**
 * A serial port behind a device server that takes its line settings over the network (RFC 2217): Telnet in binary mode
 * (RFC 856) with the option COM-PORT-OPTION. The link opens only when the server has confirmed every setting.
 */
import { TorsiondError } from '../../shared/errors.ts';
import type { ByteLink, LinkContext } from './link.ts';
import { LinkCore } from './link-core.ts';
import type { SerialLinkOptions } from './serial-options.ts';
import { openTcpLink } from './tcp-link.ts';
import { escapeTelnet, IAC, subnegotiation, TELNET, TelnetDecoder } from './telnet.ts';

export interface Rfc2217LinkOptions extends Omit<SerialLinkOptions, 'path'> {
  readonly host: string;
  readonly port: number;
}

const NEGOTIATION_LIMIT_MS = 3_000;
/** How long a write waits while the server has suspended the flow. */
const SUSPENDED_LIMIT_MS = 2_000;
const OPTION = { binary: 0, suppressGoAhead: 3, comPort: 44 } as const;
const COMMAND = { baudRate: 1, dataSize: 2, parity: 3, stopSize: 4, control: 5, purge: 12 } as const;
/** The server answers with the command and this. */
const ANSWER = 100;
const SUSPEND = 108;
const RESUME = 109;
const PARITY_CODES = { none: 1, odd: 2, even: 3 } as const;
const PURGE_RECEIVED = 1;

interface Setting {
  readonly name: string;
  readonly command: number;
  readonly value: number;
}

/** @throws TorsiondError as `openTcpLink`; LINK_OPEN_FAILED when the server does not know RFC 2217, refuses a setting or does not answer */
export async function openRfc2217Link(options: Rfc2217LinkOptions, context: LinkContext): Promise<ByteLink> {
  const tcp = await openTcpLink(options, context);
  const link = new Rfc2217Link(tcp, context);
  try {
    await link.setUp(options);
    return link.asLink();
  } catch (thrown) {
    await tcp.close();
    throw thrown;
  }
}

class Rfc2217Link {
  readonly #tcp: ByteLink;
  readonly #context: LinkContext;
  readonly #core: LinkCore;
  readonly #decoder: TelnetDecoder;
  readonly #refused = new Set<number>();
  /** Answers awaited while the link is set up: looked at by the one who waits. */
  #onAnswer: (command: number, value: number) => void = () => {};
  #onComPort: (isTaken: boolean) => void = () => {};
  #isBinaryRefused = false;
  #isOpen = false;
  #isSuspended = false;
  #resumed: (() => void)[] = [];
  #atMs = 0;

  constructor(tcp: ByteLink, context: LinkContext) {
    this.#tcp = tcp;
    this.#context = context;
    this.#core = new LinkCore(tcp.label, context.clock, {
      hold: () => tcp.pause?.(),
      release: () => tcp.resume?.(),
      fail: (error) => {
        this.#core.finish({ reason: 'lost', error });
        void tcp.close();
      },
    });
    this.#decoder = new TelnetDecoder({
      // What came before the line was set is read at another rate.
      data: (bytes) => this.#isOpen && this.#core.deliver(bytes, this.#atMs),
      negotiation: (verb, option) => this.#negotiated(verb, option),
      subnegotiation: (content) => this.#told(content),
    });
    tcp.listen(({ data, atMs }) => {
      this.#atMs = atMs;
      this.#decoder.decode(data);
    });
    void tcp.ended.then((end) => {
      this.#core.finish(end);
      this.#wake();
    });
  }

  async setUp(options: Rfc2217LinkOptions): Promise<void> {
    const taken = this.#awaitComPort();
    await this.#send(Uint8Array.from([
      IAC, TELNET.will, OPTION.comPort,
      IAC, TELNET.will, OPTION.binary, IAC, TELNET.do, OPTION.binary,
      IAC, TELNET.will, OPTION.suppressGoAhead, IAC, TELNET.do, OPTION.suppressGoAhead,
    ]));
    await taken;
    const settings = settingsOf(options);
    const confirmed = this.#awaitAnswers(settings);
    for (const setting of settings) await this.#send(subnegotiation([OPTION.comPort, setting.command, ...valueBytes(setting)]));
    await confirmed;
    // A server answers in order, so whatever it thinks of binary transmission has come by now.
    if (this.#isBinaryRefused) {
      throw new TorsiondError('LINK_OPEN_FAILED', 'the device server refuses binary transmission, so bytes could be changed on the way', {
        where: this.#core.label, hint: 'Set its port to binary mode, or use link kind "tcp".',
      });
    }
    this.#isOpen = true;
  }

  asLink(): ByteLink {
    const core = this.#core;
    return {
      label: core.label,
      ended: core.ended,
      listen: (listener) => core.listen(listener),
      pause: () => core.pause(),
      resume: () => core.resume(),
      write: (data) => this.#write(escapeTelnet(data)),
      close: () => {
        core.finish({ reason: 'closed' });
        this.#wake();
        return this.#tcp.close();
      },
    };
  }

  async #write(escaped: Uint8Array): Promise<void> {
    this.#core.assertOpen();
    if (this.#isSuspended) await this.#untilResumed();
    this.#core.assertOpen();
    await this.#tcp.write(escaped);
  }

  #untilResumed(): Promise<void> {
    return new Promise((resolve, reject) => {
      const cancel = this.#context.clock.after(SUSPENDED_LIMIT_MS, () => {
        reject(new TorsiondError('LINK_WRITE_TIMEOUT', `the device server has let nothing through for ${SUSPENDED_LIMIT_MS} ms`, { where: this.#core.label }));
      });
      this.#resumed.push(() => {
        cancel();
        resolve();
      });
    });
  }

  #wake(): void {
    this.#isSuspended = false;
    for (const resume of this.#resumed.splice(0)) resume();
  }

  #send(bytes: Uint8Array): Promise<void> {
    return this.#tcp.write(bytes);
  }

  #negotiated(verb: number, option: number): void {
    const isOurs = option === OPTION.binary || option === OPTION.suppressGoAhead || (option === OPTION.comPort && (verb === TELNET.do || verb === TELNET.dont));
    const isTaken = verb === TELNET.do || verb === TELNET.will;
    if (isOurs) {
      if (option === OPTION.comPort) this.#onComPort(isTaken);
      else if (option === OPTION.binary && !isTaken) this.#isBinaryRefused = true;
      return;
    }
    // Everything else is refused, once: a refusal of a refusal would go on for ever.
    if (!isTaken || this.#refused.has(verb * 256 + option)) return;
    this.#refused.add(verb * 256 + option);
    this.#send(Uint8Array.of(IAC, verb === TELNET.do ? TELNET.wont : TELNET.dont, option)).catch(() => {}); // the link's end tells
  }

  #told(content: Uint8Array): void {
    if (content[0] !== OPTION.comPort) return;
    const command = content[1];
    if (command === SUSPEND) this.#isSuspended = true;
    else if (command === RESUME) this.#wake();
    else if (command !== undefined) this.#onAnswer(command - ANSWER, content.subarray(2).reduce((sum, byte) => sum * 256 + byte, 0));
  }

  #awaitComPort(): Promise<void> {
    return this.#within('the device server did not answer to RFC 2217', 'Check that its port is set to RFC 2217; a plain port is link kind "tcp".', (done, fail) => {
      this.#onComPort = (isTaken) => {
        if (isTaken) done();
        else fail('the device server does not take line settings (RFC 2217)', 'Set its port to RFC 2217, or use link kind "tcp" and set the line at the server.');
      };
    });
  }

  #awaitAnswers(settings: readonly Setting[]): Promise<void> {
    const open = [...settings];
    return this.#within(() => `the device server did not confirm: ${open.map((setting) => setting.name).join(', ')}`, undefined, (done, fail) => {
      this.#onAnswer = (command, value) => {
        const at = open.findIndex((setting) => setting.command === command);
        if (at < 0) return;
        const [setting] = open.splice(at, 1);
        if (setting!.command !== COMMAND.purge && value !== setting!.value) {
          fail(`the device server did not take ${setting!.name}: it answers ${value} for ${setting!.value}`, 'Choose a setting that the device server can do.');
        } else if (open.length === 0) done();
      };
    });
  }

  /** Settles by what `begin` is told, by the end of the connection, by giving up, or by time. */
  #within(late: string | (() => string), lateHint: string | undefined, begin: (done: () => void, fail: (what: string, hint: string) => void) => void): Promise<void> {
    const { clock, signal } = this.#context;
    const where = this.#core.label;
    const waiting = new Promise<void>((resolve, reject) => {
      const settle = (error: TorsiondError | null): void => {
        cancel();
        signal.removeEventListener('abort', onAbort);
        if (error) reject(error);
        else resolve();
      };
      const onAbort = (): void => settle(new TorsiondError('LINK_CLOSED', 'opening was given up', { where }));
      const failed = (what: string, hint?: string): void => settle(new TorsiondError('LINK_OPEN_FAILED', what, { where, ...(hint === undefined ? {} : { hint }) }));
      const cancel = clock.after(NEGOTIATION_LIMIT_MS, () => failed(typeof late === 'string' ? late : late(), lateHint));
      signal.addEventListener('abort', onAbort);
      void this.#tcp.ended.then((end) => settle(end.reason === 'lost' ? end.error : new TorsiondError('LINK_LOST', 'the connection closed', { where })));
      if (signal.aborted) onAbort();
      begin(() => settle(null), failed);
    });
    waiting.catch(() => {}); // may fail before it is awaited
    return waiting;
  }
}

function settingsOf({ baudRate, dataBits, parity, stopBits, rtscts, xon, dtr, rts }: Rfc2217LinkOptions): readonly Setting[] {
  const control = (name: string, value: number): Setting => ({ name, command: COMMAND.control, value });
  return [
    { name: `${baudRate} baud`, command: COMMAND.baudRate, value: baudRate },
    { name: `${dataBits} data bits`, command: COMMAND.dataSize, value: dataBits },
    { name: `parity ${parity}`, command: COMMAND.parity, value: PARITY_CODES[parity] },
    { name: `${stopBits} stop bits`, command: COMMAND.stopSize, value: stopBits },
    control(rtscts ? 'hardware flow control' : xon ? 'software flow control' : 'no flow control', rtscts ? 3 : xon ? 2 : 1),
    ...(dtr === null ? [] : [control(`DTR ${dtr ? 'on' : 'off'}`, dtr ? 8 : 9)]),
    ...(rts === null ? [] : [control(`RTS ${rts ? 'on' : 'off'}`, rts ? 11 : 12)]),
    { name: 'purge of old bytes', command: COMMAND.purge, value: PURGE_RECEIVED },
  ];
}

function valueBytes({ command, value }: Setting): readonly number[] {
  return command === COMMAND.baudRate ? [(value >>> 24) & 0xff, (value >>> 16) & 0xff, (value >>> 8) & 0xff, value & 0xff] : [value];
}
