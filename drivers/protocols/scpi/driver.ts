/** Instruments that answer queries after IEEE 488.2 and SCPI-99. */
import type { Observable } from 'rxjs';
import { TorsiondError } from '../../../shared/errors.ts';
import {
  DRIVER_API_VERSION, defineDriver,
  type DataSheetImage, type DriverContext, type DriverCounters, type DriverEvent, type DriverSession, type InstrumentCommand, type InstrumentIdentity,
} from '../../api.ts';
import { AnswerLines } from '../../exchange/answer-lines.ts';
import type { Outcome, Question } from '../../exchange/exchange.ts';
import type { InputSelection, PollStep } from '../../exchange/poll-loop.ts';
import { PolledSession } from '../../exchange/polled-session.ts';
import { tedsAnswer } from '../../teds/text.ts';
import { quoted } from '../../values/quoted.ts';
import { zeroCommand } from '../../values/session-parts.ts';
import { STALE, answerParts, readErrorEntry, readIdentity, readNumber, type ErrorEntry } from './codec.ts';
import { ScpiOptions, channelCount, longestLineBytes } from './options.ts';

type Line = Uint8Array;
type Query = ScpiOptions['queries'][number];

/** The device says what it and its transducer are within so many tries. */
const IDENTIFY_TRIES = 2;
/** The queue is read at most so often because of answers that could not be read. */
const ERROR_READ_PAUSE_MS = 1_000;

export const scpi = defineDriver<ScpiOptions>({
  apiVersion: DRIVER_API_VERSION,
  id: 'scpi',
  title: 'SCPI queries',
  optionsSchema: ScpiOptions,
  capabilities: { delivery: 'polled', identifies: true, commands: ['zero', 'send'] },
  channelCount,
  sampleRateHz: (options) => options.poll.rateHz ?? null,
  dataSheetChannels: ({ commands: { teds } }) => (teds === undefined ? [] : [teds.channel - 1]),
  createSession: (context) => new ScpiSession(context),
});

class ScpiSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #options: ScpiOptions;
  readonly #context: DriverContext<ScpiOptions>;
  readonly #lines: AnswerLines;
  readonly #session: PolledSession<Line>;
  readonly #stop: () => Promise<void>;
  #sheets: readonly DataSheetImage[] = [];
  #isReadingErrors = false;
  #errorsReadMs = Number.NEGATIVE_INFINITY;

  constructor(context: DriverContext<ScpiOptions>) {
    const { options, link } = context;
    this.#options = options;
    this.#context = context;
    this.#lines = new AnswerLines({ delimiter: encode(options.terminators.receive), maxLineBytes: longestLineBytes(options), where: link.label });
    let firstChannel = 0;
    const steps = options.queries.map((query) => {
      const channels = query.values.map((_, i) => firstChannel + i);
      firstChannel += channels.length;
      return this.#step(query, channels);
    });
    this.#session = new PolledSession<Line>({
      context, channels: firstChannel, poll: options.poll, steps,
      hear: (chunk) => this.#lines.push(chunk),
      isMidFrame: () => this.#lines.isMidLine,
      onFinish: () => this.#lines.end(),
    });
    this.#lines.serve(this.#session.exchange);
    this.events$ = this.#session.events$;
    const { stop } = options.commands;
    this.#stop = this.#session.stopOnce(() => (stop === undefined ? undefined : this.#encode(stop)));
  }

  async start(): Promise<InstrumentIdentity | null> {
    const session = this.#session;
    const { setup, queries, identify, errors, commands } = this.#options;
    session.begin();
    try {
      const identity = identify ? await this.#identify() : null;
      // Without *IDN? nothing is known of what came before, so the first answer only shows that the device is there.
      if (!identify) await session.loop.ask(this.#question(queries[0]!.text, () => true));
      for (const command of setup) await this.#say(command);
      if (setup.length > 0 && errors.read !== 'never') for (const entry of await this.#readErrors()) this.#tellEntry(entry);
      if (commands.teds) this.#sheets = [await this.#readDataSheet(commands.teds)];
      session.assertWanted();
      session.loop.start();
      return identity;
    } catch (thrown) {
      throw session.startFault(thrown);
    }
  }

  dataSheets(): readonly DataSheetImage[] {
    return this.#sheets;
  }

  async command(command: InstrumentCommand): Promise<void> {
    this.#session.assertRunning();
    const { commands, errors } = this.#options;
    const text = command.kind === 'send' ? command.text : zeroCommand(commands.zero, this.#session.where);
    if (/[^\x20-\x7e]/.test(text)) throw new TorsiondError('COMMAND_UNSUPPORTED', `${quoted(text)} is not one line of printable ASCII`, { where: this.#session.where });
    await this.#say(text);
    if (errors.read === 'never') return;
    const [first] = await this.#readErrors();
    if (first) throw new TorsiondError('DEVICE_ERROR', `the device refused ${quoted(text)}: ${entryText(first)}`, { where: this.#session.where });
  }

  stop(): Promise<void> {
    return this.#stop();
  }

  counters(): DriverCounters {
    return { frames: this.#lines.lines, faults: this.#session.faults, discardedBytes: this.#lines.discardedBytes };
  }

  async #identify(): Promise<InstrumentIdentity> {
    return this.#tryAsking('*IDN?', readIdentity);
  }

  async #readDataSheet({ send, channel }: NonNullable<ScpiOptions['commands']['teds']>): Promise<DataSheetImage> {
    return { channel: channel - 1, bytes: await this.#tryAsking(send, tedsAnswer) };
  }

  async #tryAsking<Answer>(text: string, read: (line: string) => Answer | null): Promise<Answer> {
    for (let attempt = 1; ; attempt++) {
      try {
        return read(decode(await this.#session.loop.ask(this.#question(text, (line) => read(line) !== null))))!;
      } catch (thrown) {
        this.#session.assertWanted();
        if (attempt >= IDENTIFY_TRIES) throw thrown;
      }
    }
  }

  /** Sends a text; when it is a query, its answer is awaited and passed over. */
  async #say(text: string): Promise<void> {
    if (text.includes('?')) await this.#session.loop.ask(this.#question(text, () => true));
    else await this.#session.loop.tell(this.#encode(text));
  }

  #step(query: Query, channels: readonly number[]): PollStep<Line> {
    const { trigger, errors } = this.#options;
    const isWithError = errors.read === 'with-each';
    // One message: IEEE 488.2 answers its queries in one line, in order, so the entry belongs to these values.
    const text = isWithError ? `${query.text};:${errors.query.replace(/^:/, '')}` : query.text;
    // An entry of the queue or an identity is the late answer to another question.
    const question = this.#question(text, (line) => readErrorEntry(line) === null, trigger === undefined ? '' : trigger + this.#options.terminators.send);
    return {
      ...(query.select && { select: this.#selection(query.select) }),
      question: () => question,
      take: (outcome) => this.#take(query, channels, isWithError, outcome),
      skip: (missing, error) => this.#session.fault(channels, error.code, error.message, missing),
    };
  }

  #selection({ send, answer, settleMs }: NonNullable<Query['select']>): InputSelection<Line> {
    const pattern = answer === undefined ? null : new RegExp(answer, 'u');
    const accepts = (line: string): boolean => readErrorEntry(line) === null && (pattern === null || pattern.test(line));
    return { question: this.#question(send, accepts), isAnswered: send.includes('?'), settleMs };
  }

  #take(query: Query, channels: readonly number[], isWithError: boolean, outcome: Outcome<Line>): boolean {
    const session = this.#session;
    if (outcome.kind === 'failed') {
      session.fault(channels, outcome.error.code, outcome.error.message, 1, outcome.atMs);
      this.#askForErrors(true);
      return false;
    }
    const text = decode(outcome.frame);
    const parts = isWithError ? answerParts(text) : [text];
    const entry = isWithError ? readErrorEntry(parts.at(-1) ?? '') : null;
    const fields = parts[0]?.split(',') ?? [];
    const isWhole = (!isWithError || (entry !== null && parts.length === 2)) && Math.max(...query.values) <= fields.length;
    if (!isWhole) {
      session.fault(channels, 'FRAME_UNREADABLE', `${quoted(text)} does not answer ${quoted(query.text)}`, 1, outcome.atMs);
      this.#askForErrors(false);
      return false;
    }
    if (entry !== null && entry.number === STALE) {
      session.fault(channels, 'VALUE_NOT_FINITE', `the value is not new: ${entryText(entry)}`, 1, outcome.atMs);
      return true;
    }
    let isReadable = true;
    session.tell(outcome.atMs, (runs) => {
      query.values.forEach((place, i) => {
        const result = readNumber(fields[place - 1]!);
        if (result.kind === 'value') runs.value(channels[i]!, result.value, result.unit, 0);
        else runs.fault(channels[i]!, result.code, result.message);
        if (result.kind === 'fault' && result.code === 'FRAME_UNREADABLE') isReadable = false;
      });
    });
    if (entry !== null && entry.number !== 0) this.#tellEntry(entry);
    if (!isReadable) this.#askForErrors(false);
    return isReadable;
  }

  /**
   * Reads the queue before the next poll. After a missing answer that also puts the conversation in step again: devices
   * answer in order, so what comes before the entry is late.
   */
  #askForErrors(isOutOfStep: boolean): void {
    const { clock } = this.#context;
    if (this.#options.errors.read === 'never' || this.#isReadingErrors) return;
    if (!isOutOfStep && clock.monoMs() - this.#errorsReadMs < ERROR_READ_PAUSE_MS) return;
    this.#errorsReadMs = clock.monoMs();
    this.#isReadingErrors = true;
    this.#readErrors()
      .then((entries) => entries.forEach((entry) => this.#tellEntry(entry)))
      // That nothing answers is told by the polls.
      .catch(() => {})
      .finally(() => {
        this.#isReadingErrors = false;
      });
  }

  async #readErrors(): Promise<readonly ErrorEntry[]> {
    const { query, max } = this.#options.errors;
    const entries: ErrorEntry[] = [];
    while (entries.length < max) {
      const line = await this.#session.loop.ask(this.#question(query, (text) => readErrorEntry(text) !== null));
      const entry = readErrorEntry(decode(line))!;
      if (entry.number === 0) break;
      entries.push(entry);
    }
    return entries;
  }

  #tellEntry(entry: ErrorEntry): void {
    this.#session.fault(null, 'DEVICE_ERROR', `the device reports ${entryText(entry)}`, 0);
  }

  #question(text: string, accepts: (line: string) => boolean, before = ''): Question<Line> {
    return {
      bytes: encode(before + text + this.#options.terminators.send),
      name: quoted(text),
      timeoutMs: this.#options.poll.timeoutMs,
      accepts: (line) => accepts(decode(line)),
      onAsk: () => this.#lines.noteAsked(),
    };
  }

  #encode(text: string): Uint8Array {
    return encode(text + this.#options.terminators.send);
  }
}

function entryText(entry: ErrorEntry): string {
  return `${entry.number}, ${quoted(entry.text)}`;
}

function encode(text: string): Uint8Array {
  return Uint8Array.from(text, (letter) => letter.charCodeAt(0) & 0xff);
}

function decode(line: Uint8Array): string {
  return Buffer.from(line.buffer, line.byteOffset, line.byteLength).toString('latin1').trim();
}
