/** Instruments that send torque as lines of text. */
import { Subject, type Observable } from 'rxjs';
import { TorsiondError } from '../../../shared/errors.ts';
import {
  DRIVER_API_VERSION, defineDriver,
  type DataSheetImage, type DriverContext, type DriverCounters, type DriverEvent, type DriverSession, type InstrumentCommand, type InstrumentIdentity,
} from '../../api.ts';
import type { FrameSink } from '../../framing/framer.ts';
import { LineFramer } from '../../framing/line-framer.ts';
import type { ByteChunk } from '../../links/link.ts';
import { RunCollector } from '../../values/run-collector.ts';
import { stopOnce, zeroCommand } from '../../values/session-parts.ts';
import { dataSheetQuestion, identityQuestion, type StartQuestion } from './answers.ts';
import { AsciiLinesCodec, type CodecSink } from './codec.ts';
import { AsciiLinesOptions, channelCount, encodeText, longestLineBytes } from './options.ts';
import { PolledLinesSession } from './polled-lines.ts';

export const asciiLines = defineDriver<AsciiLinesOptions>({
  apiVersion: DRIVER_API_VERSION,
  id: 'ascii-lines',
  title: 'Lines of text',
  optionsSchema: AsciiLinesOptions,
  capabilities: { delivery: 'either', identifies: true, commands: ['zero', 'send'] },
  channelCount,
  delivery: (options) => (options.poll ? 'polled' : 'pushed'),
  sampleRateHz: (options) => options.poll?.rateHz ?? null,
  createSession: (context) => (context.options.poll ? new PolledLinesSession(context, context.options.poll) : new AsciiLinesSession(context)),
});

class AsciiLinesSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #events = new Subject<DriverEvent>();
  readonly #context: DriverContext<AsciiLinesOptions>;
  readonly #codec: AsciiLinesCodec;
  readonly #framer: LineFramer;
  readonly #runs: RunCollector;
  readonly #ignore: RegExp | null;
  readonly #codecSink: CodecSink;
  readonly #frameSink: FrameSink;
  #sheets: readonly DataSheetImage[] = [];
  #frames = 0;
  #state: 'new' | 'running' | 'over' = 'new';
  readonly #stop: () => Promise<void>;
  /** Takes the answer to the question that was sent. */
  #awaitAnswer: ((text: string) => boolean) | null = null;

  constructor(context: DriverContext<AsciiLinesOptions>) {
    const { options, link } = context;
    this.events$ = this.#events.asObservable();
    this.#context = context;
    const { stop } = options.commands;
    this.#stop = stopOnce(link, { isRunning: () => this.#state === 'running', finish: () => this.#finish() }, () => (stop === undefined ? undefined : this.#encode(stop)));
    this.#codec = new AsciiLinesCodec(options);
    this.#ignore = options.ignore === undefined ? null : new RegExp(options.ignore, 'u');
    const runs = new RunCollector(this.#codec.channelCount, link.label, (event) => this.#events.next(event));
    this.#runs = runs;
    this.#codecSink = {
      value: (channel, value, unit, status) => runs.value(channel, value, unit, status),
      fault: (channel, code, message) => runs.fault(channel, code, message),
      tell: (channel, code, message) => runs.fault(channel, code, message, 0),
      recognise: (text) => this.#takeAnswer(text) || (this.#ignore !== null && this.#ignore.test(text)),
    };
    this.#frameSink = {
      frames: (bytes, bounds, count) => {
        this.#frames += count;
        this.#codec.decode(bytes, bounds, count, this.#codecSink);
      },
      tooLong: () => runs.fault(null, 'FRAME_TOO_LONG', `more than ${longestLineBytes(options)} bytes without a delimiter`),
    };
    this.#framer = new LineFramer({
      delimiter: encodeText(options.delimiter, options), maxLineBytes: longestLineBytes(options),
      // A device that says nothing until it is asked begins with its answer.
      onPartial: (bytes) => {
        if (this.#awaitAnswer) this.#takeAnswer(this.#codec.text(bytes) ?? '');
      },
    });
  }

  async start(): Promise<InstrumentIdentity | null> {
    if (this.#state !== 'new') throw new TorsiondError('INTERNAL', 'a driver session starts once', { where: this.#context.link.label });
    this.#assertWanted();
    this.#state = 'running';
    const { link, options } = this.#context;
    void link.ended.then(() => this.#finish());
    link.listen((chunk) => this.#take(chunk));
    const { identify, teds } = options.commands;
    const identity = identify ? await this.#ask(identityQuestion(identify)) : null;
    if (teds) this.#sheets = [{ channel: teds.channel - 1, bytes: await this.#ask(dataSheetQuestion(teds)) }];
    if (options.commands.start !== undefined) await this.#send(options.commands.start);
    this.#assertWanted();
    return identity;
  }

  dataSheets(): readonly DataSheetImage[] {
    return this.#sheets;
  }

  async command(command: InstrumentCommand): Promise<void> {
    if (this.#state !== 'running') throw new TorsiondError('LINK_CLOSED', 'the instrument is not connected', { where: this.#context.link.label });
    return this.#send(command.kind === 'send' ? command.text : zeroCommand(this.#context.options.commands.zero, this.#context.link.label));
  }

  stop(): Promise<void> {
    return this.#stop();
  }

  counters(): DriverCounters {
    return { frames: this.#frames, faults: this.#runs.faults, discardedBytes: this.#framer.discardedBytes };
  }

  #take(chunk: ByteChunk): void {
    if (this.#state !== 'running') return;
    this.#runs.begin(chunk.atMs);
    this.#framer.push(chunk.data, this.#frameSink);
    this.#runs.end();
  }

  #finish(): void {
    if (this.#state === 'over') return;
    this.#state = 'over';
    this.#framer.reset();
    this.#events.complete();
  }

  #send(text: string): Promise<void> {
    return this.#context.link.write(this.#encode(text));
  }

  #encode(text: string): Uint8Array {
    const { options } = this.#context;
    return encodeText(text + options.commands.ending, options);
  }

  #takeAnswer(text: string): boolean {
    return this.#awaitAnswer !== null && this.#awaitAnswer(text);
  }

  #assertWanted(): void {
    if (this.#context.signal.aborted) throw new TorsiondError('DEVICE_TIMEOUT', 'starting was given up', { where: this.#context.link.label });
  }

  async #ask<Answer>(question: StartQuestion<Answer>): Promise<Answer> {
    for (let attempt = 1; attempt <= question.tries; attempt++) {
      const answered = this.#answerTo(question);
      try {
        await this.#send(question.send);
      } catch (thrown) {
        answered.giveUp();
        throw thrown;
      }
      const answer = await answered.answer;
      this.#assertWanted();
      if (this.#state !== 'running') throw new TorsiondError('LINK_LOST', 'the connection ended before the instrument answered', { where: this.#context.link.label });
      if (answer !== null) return answer;
    }
    throw new TorsiondError('DEVICE_TIMEOUT', `no answer to ${JSON.stringify(question.send)} in ${question.tries} tries of ${question.timeoutMs} ms`, { where: this.#context.link.label });
  }

  /** Waits for a line that fits, the time limit, or the end of all waiting; null unless a line came. */
  #answerTo<Answer>({ read, timeoutMs }: StartQuestion<Answer>): { readonly answer: Promise<Answer | null>; giveUp(): void } {
    const { clock, signal, link } = this.#context;
    let settle!: (found: Answer | null) => void;
    const answer = new Promise<Answer | null>((resolve) => {
      settle = (found) => {
        cancel();
        signal.removeEventListener('abort', giveUp);
        this.#awaitAnswer = null;
        this.#codec.isAnswerAwaited = false;
        resolve(found);
      };
    });
    const giveUp = (): void => settle(null);
    const cancel = clock.after(timeoutMs, giveUp);
    signal.addEventListener('abort', giveUp);
    void link.ended.then(giveUp);
    this.#codec.isAnswerAwaited = true;
    this.#awaitAnswer = (text) => {
      const found = read(text);
      if (found !== null) settle(found);
      return found !== null;
    };
    return { answer, giveUp };
  }
}
