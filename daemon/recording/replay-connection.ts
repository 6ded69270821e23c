/** One recorded connection played through its driver and sample clock: the same classes that the live instrument uses. */
import { isDeepStrictEqual } from 'node:util';
import type { DriverDefinition, DriverEvent } from '../../drivers/api.ts';
import type { AskNote, ByteChunk } from '../../drivers/links/link.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../drivers/links/memory-link.ts';
import { TorsiondError, asTorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import { Connection } from '../devices/connection.ts';
import { fillFromDevice } from '../devices/data-sheets.ts';
import { declaredRates, readDriverSettings } from '../devices/driver-settings.ts';
import { identityFault } from '../devices/identity-guard.ts';
import { DEFAULT_RULES } from '../devices/instrument-machine.ts';
import { channelId, lastValues, SampleSource, type LastValues } from '../pipeline/sample-source.ts';
import type { ChannelSettings } from '../settings/schema.ts';
import { fitState } from './exact-state.ts';
import type { RecordedConnection } from './recording-format.ts';
import { ReplayClock } from './replay-clock.ts';

/** Driver events kept until the driver knows the instrument, as the live runner keeps them. */
const MAX_HELD_EVENTS = 4_096;
const NO_BLOCKS: readonly DeviceBlock[] = [];

export class ReplayConnection {
  readonly #source: SampleSource;
  readonly #clock: ReplayClock;
  readonly #far: MemoryFarEnd;
  readonly #connection: Connection;
  readonly #recorded: RecordedConnection;
  #channels: readonly ChannelSettings[];
  readonly channelIds: readonly string[];
  #held: DriverEvent[] | null = [];
  #blocks: DeviceBlock[] = [];
  #fault: TorsiondError | null = null;
  /** The driver, when it is one that asks. */
  #follower: ((note: AskNote) => void) | null = null;
  #notes = 0;
  #isIdentifying = true;
  /** What comes is for the driver alone, so that it is in step with the live one when samples count. */
  #isWarmingUp: boolean;
  #last: LastValues | null = null;

  private constructor(recorded: RecordedConnection, driver: DriverDefinition, driverOptions: unknown) {
    const { instrument, epoch } = recorded;
    this.#recorded = recorded;
    this.#channels = instrument.channels;
    this.channelIds = instrument.channels.map((_, i) => channelId(instrument.id, i));
    this.#isWarmingUp = recorded.isJoined && recorded.hasState;
    // What was said before the recording began is not in it: it was the right instrument then.
    if (recorded.isJoined) this.#held = null;
    const fromMs = recorded.fromMonoMs ?? recorded.startMonoMs;
    this.#clock = new ReplayClock(fromMs, fromMs + recorded.wallOffsetMs);
    this.#source = new SampleSource({
      instrument: instrument.id, epoch, silenceMs: instrument.silenceMs,
      ratesHz: declaredRates(instrument, driver, driverOptions),
    });
    const { link, far } = createMemoryLink(this.#clock, `recording of ${instrument.id}`);
    this.#far = far;
    const notes = { write: () => {}, follow: (listener: (note: AskNote) => void) => {
      this.#follower = listener;
    } };
    this.#connection = new Connection({
      link: { ...link, notes }, clock: this.#clock, driver, driverOptions, channels: instrument.channels,
      onSettling: () => {},
      onChunk: () => {},
      onEvent: (event) => this.#take(event),
      onBroken: (error) => this.#fail(error),
    });
  }

  /** @throws TorsiondError DRIVER_UNKNOWN, SETTINGS_INVALID when the recorded settings name what does not exist here */
  static async open(recorded: RecordedConnection, driver: DriverDefinition | null): Promise<ReplayConnection> {
    const { options, fault } = readDriverSettings(recorded.instrument, driver);
    if (fault !== null) throw fault;
    const replay = new ReplayConnection(recorded, driver!, options);
    void replay.#identify();
    await turn();
    return replay;
  }

  /** Why nothing more comes of this connection, or null. The live gateway would have opened another one. */
  get fault(): TorsiondError | null {
    return this.#fault;
  }

  /** Settings of its channels, with the transducers that the device named. */
  get channels(): readonly ChannelSettings[] {
    return this.#channels;
  }

  /**
   * @param chunk the connection's to keep
   * @returns the blocks that it completes; at once from a driver that only listens
   */
  feed(chunk: ByteChunk): readonly DeviceBlock[] | Promise<readonly DeviceBlock[]> {
    if (this.#fault) return NO_BLOCKS;
    if (this.#isIdentifying || this.#follower !== null) return this.#feedInTurns(chunk);
    this.#clock.advanceTo(chunk.atMs);
    this.#far.give(chunk.data, chunk.atMs);
    return this.#taken();
  }

  /** What the driver does between question and answer takes turns of the event loop, here as in the live gateway. */
  async #feedInTurns(chunk: ByteChunk): Promise<readonly DeviceBlock[]> {
    this.#clock.advanceTo(chunk.atMs);
    if (this.#isIdentifying) await turn();
    this.#far.give(chunk.data, chunk.atMs);
    if (this.#isIdentifying) await turn();
    return this.#taken();
  }

  /**
   * From here on samples count as they did in the live run.
   * @param state `SampleSourceState`; null: they were not counted yet
   * @throws TorsiondError INPUT_FORMAT when it was made by another version
   */
  async resume(state: unknown): Promise<void> {
    await turn();
    this.#isWarmingUp = false;
    if (this.#fault || state === null) return;
    const { id } = this.#recorded.instrument;
    const fitted = fitState(state, this.#source.snapshot(), id);
    if (fitted.channels.length !== this.#channels.length || !isDeepStrictEqual(fitted.last, this.#last)) {
      this.#fail(new TorsiondError('INPUT_FORMAT', 'the driver does not read here what it read then, so samples cannot be counted on', { where: id }));
      return;
    }
    this.#source.restore(fitted);
  }

  /** What the driver asked then, or what became of it. @returns the blocks that it completes */
  async note(note: AskNote): Promise<readonly DeviceBlock[]> {
    if (this.#fault) return [];
    this.#notes++;
    this.#clock.advanceTo(note.atMs);
    await turn();
    this.#follower?.(note);
    // The live driver went on after it, and so did what waited for it.
    await turn();
    return this.#taken();
  }

  /** The recording, or this connection in it, is over. @returns the last blocks */
  async finish(): Promise<readonly DeviceBlock[]> {
    if (this.#follower && this.#notes === 0) {
      this.#fail(new TorsiondError('INPUT_FORMAT', 'the recording does not say what the instrument was asked, so its answers mean nothing', { where: this.#recorded.instrument.id }));
    }
    this.#far.finish();
    await turn();
    await this.#connection.close();
    return this.pause();
  }

  /** The samples ended, or paused, as the live gateway saw it. @returns what waited for a later one */
  pause(): readonly DeviceBlock[] {
    if (!this.#fault) this.#blocks.push(...this.#source.end());
    return this.#taken();
  }

  async #identify(): Promise<void> {
    for (let attempt = 1; ; attempt++) {
      try {
        const identity = await this.#connection.startSession();
        const { isJoined, hasHead } = this.#recorded;
        const mismatch = isJoined && !hasHead ? null : identityFault(this.#recorded.instrument.identity, identity, this.#recorded.instrument.id);
        if (mismatch !== null) throw mismatch;
        // Where the recording begins in the midst of a connection, its settings are filled already.
        if (!isJoined) this.#channels = fillFromDevice(this.#recorded.instrument, this.#connection.dataSheets(), this.#recorded.instrument.id).settings.channels;
        break;
      } catch (thrown) {
        if (this.#fault) return;
        if (this.#recorded.isJoined && !this.#recorded.hasHead) break;
        const error = asTorsiondError(thrown, 'DRIVER_FAILED');
        if (attempt < DEFAULT_RULES.identifyTries && error.facts.retry !== 'never') continue;
        this.#isIdentifying = false;
        return this.#fail(error);
      }
    }
    this.#isIdentifying = false;
    const held = this.#held ?? [];
    this.#held = null;
    for (const event of held) this.#count(event);
  }

  #take(event: DriverEvent): void {
    if (this.#fault) return;
    if (this.#isWarmingUp) {
      if (event.kind === 'values') this.#last = lastValues(event);
      return;
    }
    if (this.#held === null) return this.#count(event);
    this.#held.push(event);
    if (this.#held.length > MAX_HELD_EVENTS) this.#held.shift();
  }

  #count(event: DriverEvent): void {
    for (const block of this.#source.step(event)) this.#blocks.push(block);
  }

  #fail(error: TorsiondError): void {
    this.#fault ??= error;
    this.#held = null;
  }

  #taken(): readonly DeviceBlock[] {
    if (this.#blocks.length === 0) return NO_BLOCKS;
    const blocks = this.#blocks;
    this.#blocks = [];
    return blocks;
  }
}

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));
