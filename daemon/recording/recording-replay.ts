/** Plays one recording: every connection in it through its driver, every channel through one pipeline, marks where they stand. */
import { isDeepStrictEqual } from 'node:util';
import type { ByteChunk } from '../../drivers/links/link.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { TransducerSettings } from '../../shared/transducer.ts';
import { WallMap } from '../pipeline/wall-time.ts';
import { channelId } from '../pipeline/sample-source.ts';
import type { ChannelSettings } from '../settings/schema.ts';
import { fitState } from './exact-state.ts';
import { markedNote, type RecordedConnection, type RecordedMark } from './recording-format.ts';
import { ReplayConnection } from './replay-connection.ts';
import type { ChannelAction, ReplayOptions, ReplayPipeline, ReplayResult } from './replay-types.ts';

type StateMark = Extract<RecordedMark, { kind: 'state' }>;
type NoteMark = Extract<RecordedMark, { kind: 'note' }>;

/** An instrument that never answers is asked for ever; only what comes shortly before its first answer matters. */
const MAX_EARLY_NOTES = 4_096;

type Results = AsyncGenerator<ReplayResult, void, void>;
const NOTHING: readonly ReplayResult[] = [];

interface PlayedChannel {
  readonly pipeline: ReplayPipeline;
  /** As it stands now, before it is adapted. */
  recorded: ChannelSettings;
  /** Of the device, found to be the same as the recorded one. */
  compared: TransducerSettings | null;
  /** Armed or held by hand; the last word counts. */
  last: ChannelAction | null;
}

export class RecordingReplay {
  readonly #source: string;
  readonly #options: ReplayOptions;
  readonly #playing = new Map<RecordedConnection, ReplayConnection>();
  readonly #latest = new Map<string, RecordedConnection>();
  readonly #channels = new Map<string, PlayedChannel>();
  /** Armed or held by hand before the channel's first connection; the last word counts. */
  readonly #early = new Map<string, ChannelAction>();
  /** What was asked before the first answer of a connection, which begins it here. */
  #earlyNotes: NoteMark[] = [];
  #wall: WallMap | null = null;

  constructor(source: string, options: ReplayOptions) {
    this.#source = source;
    this.#options = options;
  }

  async* connect(recorded: RecordedConnection): Results {
    const { instrument } = recorded;
    const before = this.#latest.get(instrument.id);
    if (before) yield* this.#finish(before);
    this.#latest.set(instrument.id, recorded);
    // Later connections bring the same offset: what changed it since stands in the marks.
    this.#wall ??= new WallMap(recorded.wallOffsetMs);
    this.#playing.set(recorded, await ReplayConnection.open(recorded, this.#options.findDriver(instrument.driver.id, recorded.driverOrigin) ?? null));
    instrument.channels.forEach((settings, i) => this.#open(recorded, settings, i));
    const asked = this.#earlyNotes.filter((mark) => mark.instrument === instrument.id && mark.epoch === recorded.epoch);
    this.#earlyNotes = this.#earlyNotes.filter((mark) => mark.instrument !== instrument.id);
    for (const mark of asked) yield* this.mark(mark);
    for (const [channel, action] of this.#early) {
      const played = this.#channels.get(channel);
      if (!played) continue;
      this.#early.delete(channel);
      played.last = action;
      yield* played.pipeline.act(action);
    }
  }

  /** A promise only where the driver takes turns of the event loop. */
  feed(recorded: RecordedConnection, chunk: ByteChunk): readonly ReplayResult[] | Promise<readonly ReplayResult[]> {
    const replay = this.#playing.get(recorded);
    if (!replay) return NOTHING;
    const blocks = replay.feed(chunk);
    return blocks instanceof Promise ? blocks.then((done) => this.#push(recorded, replay, done)) : this.#push(recorded, replay, blocks);
  }

  async* mark(mark: RecordedMark): Results {
    switch (mark.kind) {
      case 'wall': return this.#wall?.take(mark);
      case 'note': {
        const latest = this.#latest.get(mark.instrument);
        const replay = latest?.epoch === mark.epoch ? this.#playing.get(latest) : undefined;
        if (replay) return yield* this.#push(latest!, replay, await replay.note(markedNote(mark)));
        this.#earlyNotes.push(mark);
        if (this.#earlyNotes.length > MAX_EARLY_NOTES) this.#earlyNotes.shift();
        return;
      }
      case 'gap': {
        const reason = mark.reason === 'stopped' ? 'stopped' : 'gap';
        const latest = this.#latest.get(mark.instrument);
        const replay = latest && this.#playing.get(latest);
        if (replay) yield* this.#push(latest, replay, replay.pause());
        for (const channel of this.#channelsOf(mark.instrument)) yield* channel.pipeline.end(reason);
        return;
      }
      case 'command': {
        const played = this.#channels.get(mark.channel);
        const isState = mark.command === 'arm' || mark.command === 'hold';
        if (played) {
          if (isState) played.last = mark;
          return yield* played.pipeline.act(mark);
        }
        if (isState) this.#early.set(mark.channel, mark);
        return;
      }
      case 'state': return yield* this.#resume(mark);
      case 'capture': return yield* this.#channels.get(mark.channel)?.pipeline.startCapture(mark.state) ?? [];
      case 'configure': {
        const played = this.#channels.get(mark.channel);
        if (!played) return;
        played.recorded = { ...played.recorded, capture: mark.settings };
        const { capture } = this.#options.adapt(played.recorded, this.#source, true);
        yield* played.pipeline.act({ ...mark, settings: capture });
      }
    }
  }

  /** The recording begins here, in the midst of what the gateway did: with what that had become. */
  async* #resume(mark: StateMark): Results {
    const recorded = this.#latest.get(mark.instrument);
    const replay = recorded?.epoch === mark.epoch ? this.#playing.get(recorded) : undefined;
    if (!recorded || !replay) return;
    const wall = this.#wall!;
    wall.restore(fitState(mark.wall, wall.snapshot(), this.#source));
    for (const [i, { settings: capture, transducer, pipeline }] of mark.channels.entries()) {
      const settings = recorded.instrument.channels[i];
      if (!settings) continue;
      const opened = this.#openChannel(recorded, { ...settings, capture, transducer }, i);
      opened.pipeline.restore(pipeline);
      this.#channels.set(channelId(mark.instrument, i), opened);
    }
    await replay.resume(mark.source);
    if (replay.fault) yield* this.#finish(recorded);
  }

  async* end(): Results {
    for (const recorded of [...this.#playing.keys()]) yield* this.#finish(recorded);
    for (const { pipeline } of this.#channels.values()) yield* pipeline.end();
  }

  async* #finish(recorded: RecordedConnection): Results {
    const replay = this.#playing.get(recorded);
    if (!replay) return;
    this.#playing.delete(recorded);
    yield* this.#push(recorded, replay, await replay.finish());
    if (replay.fault) yield { kind: 'fault', error: replay.fault };
  }

  #push(recorded: RecordedConnection, replay: ReplayConnection, blocks: readonly DeviceBlock[]): readonly ReplayResult[] {
    if (blocks.length === 0) return NOTHING;
    const all = this.#useTransducers(recorded, replay);
    for (const block of blocks) {
      const results = this.#channels.get(block.channel)!.pipeline.push(block);
      if (results.length > 0) all.push(...results);
    }
    return all;
  }

  /** As the live channel does it: another transducer than before begins anew. */
  #useTransducers(recorded: RecordedConnection, replay: ReplayConnection): ReplayResult[] {
    const results: ReplayResult[] = [];
    for (let i = 0; i < replay.channels.length; i++) {
      const { transducer } = replay.channels[i]!;
      const channel = replay.channelIds[i]!;
      const played = this.#channels.get(channel)!;
      if (transducer === played.compared) continue;
      played.compared = transducer;
      if (isDeepStrictEqual(transducer, played.recorded.transducer)) continue;
      results.push(...played.pipeline.end('gap'));
      const opened = this.#openChannel(recorded, { ...played.recorded, transducer }, i);
      opened.last = played.last;
      this.#channels.set(channel, opened);
      if (opened.last) results.push(...opened.pipeline.act(opened.last));
    }
    return results;
  }

  #open(recorded: RecordedConnection, settings: ChannelSettings, i: number): void {
    const channel = channelId(recorded.instrument.id, i);
    if (!this.#channels.has(channel)) this.#channels.set(channel, this.#openChannel(recorded, settings, i));
  }

  #openChannel(recorded: RecordedConnection, settings: ChannelSettings, i: number): PlayedChannel {
    const wall = this.#wall!;
    const pipeline = this.#options.openPipeline({
      source: this.#source, channel: channelId(recorded.instrument.id, i), settings: this.#options.adapt(settings, this.#source, recorded.hasCommands),
      isSimulated: recorded.instrument.simulated, toWallMs: (monoMs) => wall.toWallMs(monoMs),
    });
    return { pipeline, recorded: settings, compared: null, last: null };
  }

  #channelsOf(instrument: string): readonly PlayedChannel[] {
    const channels = this.#latest.get(instrument)?.instrument.channels ?? [];
    return channels.flatMap((_, i) => this.#channels.get(channelId(instrument, i)) ?? []);
  }
}
