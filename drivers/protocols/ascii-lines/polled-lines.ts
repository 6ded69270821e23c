/** Instruments that send a line only when they are asked. What a line means is the same as of those that stream. */
import type { Observable } from 'rxjs';
import type { DataSheetImage, DriverContext, DriverCounters, DriverEvent, DriverSession, InstrumentCommand, InstrumentIdentity } from '../../api.ts';
import { AnswerLines } from '../../exchange/answer-lines.ts';
import type { Outcome, Question } from '../../exchange/exchange.ts';
import type { InputSelection, PollStep } from '../../exchange/poll-loop.ts';
import { PolledSession } from '../../exchange/polled-session.ts';
import { quoted } from '../../values/quoted.ts';
import { zeroCommand } from '../../values/session-parts.ts';
import { dataSheetQuestion, identityQuestion, type StartQuestion } from './answers.ts';
import { AsciiLinesCodec } from './codec.ts';
import { channelCount, encodeText, longestLineBytes, type AsciiLinesOptions } from './options.ts';

type Line = Uint8Array;
type Poll = NonNullable<AsciiLinesOptions['poll']>;
type Input = NonNullable<Poll['inputs']>[number];

export class PolledLinesSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #context: DriverContext<AsciiLinesOptions>;
  readonly #poll: Poll;
  readonly #codec: AsciiLinesCodec;
  readonly #lines: AnswerLines;
  readonly #session: PolledSession<Line>;
  readonly #ignore: RegExp | null;
  #sheets: readonly DataSheetImage[] = [];
  readonly #stop: () => Promise<void>;

  constructor(context: DriverContext<AsciiLinesOptions>, poll: Poll) {
    const { options, link } = context;
    this.#context = context;
    this.#poll = poll;
    this.#codec = new AsciiLinesCodec(options);
    this.#ignore = options.ignore === undefined ? null : new RegExp(options.ignore, 'u');
    this.#lines = new AnswerLines({ delimiter: encodeText(options.delimiter, options), maxLineBytes: longestLineBytes(options), where: link.label });
    this.#session = new PolledSession<Line>({
      context, channels: channelCount(options), poll,
      steps: poll.inputs?.map((input, channel) => this.#step(input, [channel])) ?? [this.#step({}, null)],
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
    const { identify, teds, start } = this.#context.options.commands;
    session.begin();
    try {
      const identity = identify ? await this.#ask(identityQuestion(identify)) : null;
      if (teds) this.#sheets = [{ channel: teds.channel - 1, bytes: await this.#ask(dataSheetQuestion(teds)) }];
      if (start !== undefined) await session.loop.tell(this.#encode(start));
      // Nothing is known of what came before, so the first answer only shows that the device is there.
      if (!identify && !teds) await session.loop.ask(this.#question(this.#poll.request, this.#poll.timeoutMs, () => true));
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
    const text = command.kind === 'send' ? command.text : zeroCommand(this.#context.options.commands.zero, this.#session.where);
    await this.#session.loop.tell(this.#encode(text));
  }

  stop(): Promise<void> {
    return this.#stop();
  }

  counters(): DriverCounters {
    return { frames: this.#lines.lines, faults: this.#session.faults, discardedBytes: this.#lines.discardedBytes };
  }

  async #ask<Answer>({ send, timeoutMs, tries, read }: StartQuestion<Answer>): Promise<Answer> {
    const answerIn = (line: Line): Answer | null => read(this.#codec.text(line) ?? '');
    for (let attempt = 1; ; attempt++) {
      try {
        return answerIn(await this.#session.loop.ask(this.#question(send, timeoutMs, (line) => answerIn(line) !== null)))!;
      } catch (thrown) {
        this.#session.assertWanted();
        if (attempt >= tries) throw thrown;
      }
    }
  }

  /** @param channels those that the answer carries, in order; null: all */
  #step({ select, request = this.#poll.request }: Input, channels: readonly number[] | null): PollStep<Line> {
    const question = this.#question(request, this.#poll.timeoutMs, (line) => !this.#isIgnored(line));
    return {
      ...(select && { select: this.#selection(select) }),
      question: () => question,
      take: (outcome) => this.#take(channels, outcome),
      skip: (missing, error) => this.#session.fault(channels, error.code, error.message, missing),
    };
  }

  #selection({ send, answer, settleMs }: NonNullable<Input['select']>): InputSelection<Line> {
    const pattern = answer === undefined ? null : new RegExp(answer, 'u');
    const accepts = (line: Line): boolean => pattern?.test(this.#codec.text(line) ?? '') ?? false;
    return { question: this.#question(send, this.#poll.timeoutMs, accepts), isAnswered: pattern !== null, settleMs };
  }

  #take(channels: readonly number[] | null, outcome: Outcome<Line>): boolean {
    const session = this.#session;
    if (outcome.kind === 'failed') {
      session.fault(channels, outcome.error.code, outcome.error.message, 1, outcome.atMs);
      return false;
    }
    let isReadable = true;
    /** Channels of the instrument, from those of the line. */
    const of = (channel: number): number => channels?.[channel] ?? channel;
    const ofAll = channels?.length === 1 ? channels[0]! : null;
    session.tell(outcome.atMs, (runs) => this.#codec.decode(outcome.frame, Int32Array.of(0, outcome.frame.length), 1, {
      value: (channel, value, unit, status) => runs.value(of(channel), value, unit, status),
      fault: (channel, code, message) => {
        if (code === 'FRAME_UNREADABLE') isReadable = false;
        runs.fault(channel === null ? ofAll : of(channel), code, message);
      },
      tell: (channel, code, message) => runs.fault(channel === null ? ofAll : of(channel), code, message, 0),
      recognise: () => false,
    }));
    return isReadable;
  }

  #isIgnored(line: Line): boolean {
    return this.#ignore !== null && this.#ignore.test(this.#codec.text(line) ?? '');
  }

  #question(text: string, timeoutMs: number, accepts: (line: Line) => boolean): Question<Line> {
    return { bytes: this.#encode(text), name: quoted(text), timeoutMs, accepts, onAsk: () => this.#lines.noteAsked() };
  }

  #encode(text: string): Uint8Array {
    return encodeText(text + this.#context.options.commands.ending, this.#context.options);
  }
}
