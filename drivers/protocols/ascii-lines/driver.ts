/** Instruments that send torque as lines of text. */
import type { Observable } from 'rxjs';
import { TorsiondError } from '../../../shared/errors.ts';
import {
  DRIVER_API_VERSION, defineDriver,
  type DataSheetImage, type DriverContext, type DriverCounters, type DriverEvent, type DriverSession, type InstrumentCommand, type InstrumentIdentity,
} from '../../api.ts';
import { LineFramer } from '../../framing/line-framer.ts';
import { zeroCommand } from '../../values/session-parts.ts';
import { StreamedSession } from '../../values/streamed-session.ts';
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
  dataSheetChannels: ({ commands: { teds } }) => (teds === undefined ? [] : [teds.channel - 1]),
  createSession: (context) => (context.options.poll ? new PolledLinesSession(context, context.options.poll) : new AsciiLinesSession(context)),
});

class AsciiLinesSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #context: DriverContext<AsciiLinesOptions>;
  readonly #codec: AsciiLinesCodec;
  readonly #framer: LineFramer;
  readonly #session: StreamedSession;
  readonly #stop: () => Promise<void>;
  #sheets: readonly DataSheetImage[] = [];
  #frames = 0;
  /** Takes the answer to the question that was sent. */
  #awaitAnswer: ((text: string) => boolean) | null = null;

  constructor(context: DriverContext<AsciiLinesOptions>) {
    const { options } = context;
    this.#context = context;
    const codec = new AsciiLinesCodec(options);
    this.#codec = codec;
    const ignore = options.ignore === undefined ? null : new RegExp(options.ignore, 'u');
    this.#framer = new LineFramer({
      delimiter: encodeText(options.delimiter, options), maxLineBytes: longestLineBytes(options),
      // A device that says nothing until it is asked begins with its answer.
      onPartial: (bytes) => {
        if (this.#awaitAnswer) this.#takeAnswer(codec.text(bytes) ?? '');
      },
    });
    this.#session = new StreamedSession({
      context, channels: codec.channelCount, framer: this.#framer,
      sink: (runs) => {
        const values: CodecSink = {
          value: (channel, value, unit, status) => runs.value(channel, value, unit, status),
          fault: (channel, code, message) => runs.fault(channel, code, message),
          tell: (channel, code, message) => runs.fault(channel, code, message, 0),
          recognise: (text) => this.#takeAnswer(text) || (ignore !== null && ignore.test(text)),
        };
        return {
          frames: (bytes, bounds, count) => {
            this.#frames += count;
            codec.decode(bytes, bounds, count, values);
          },
          tooLong: () => runs.fault(null, 'FRAME_TOO_LONG', `more than ${longestLineBytes(options)} bytes without a delimiter`),
        };
      },
    });
    this.events$ = this.#session.events$;
    const { stop } = options.commands;
    this.#stop = this.#session.stopOnce(() => (stop === undefined ? undefined : this.#encode(stop)));
  }

  async start(): Promise<InstrumentIdentity | null> {
    this.#session.begin();
    const { identify, teds, start } = this.#context.options.commands;
    const identity = identify ? await this.#ask(identityQuestion(identify)) : null;
    if (teds) this.#sheets = [{ channel: teds.channel - 1, bytes: await this.#ask(dataSheetQuestion(teds)) }];
    if (start !== undefined) await this.#send(start);
    this.#session.assertWanted();
    return identity;
  }

  dataSheets(): readonly DataSheetImage[] {
    return this.#sheets;
  }

  async command(command: InstrumentCommand): Promise<void> {
    this.#session.assertRunning();
    return this.#send(command.kind === 'send' ? command.text : zeroCommand(this.#context.options.commands.zero, this.#session.where));
  }

  stop(): Promise<void> {
    return this.#stop();
  }

  counters(): DriverCounters {
    return { frames: this.#frames, faults: this.#session.faults, discardedBytes: this.#framer.discardedBytes };
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
      this.#session.assertWanted();
      if (!this.#session.isRunning) throw new TorsiondError('LINK_LOST', 'the connection ended before the instrument answered', { where: this.#context.link.label });
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
