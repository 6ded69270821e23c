/** One connection to an instrument that streams binary frames. */
import { Subject, type Observable } from 'rxjs';
import { TorsiondError } from '../../shared/errors.ts';
import type { DataSheetImage, DriverContext, DriverCounters, DriverEvent, DriverSession, InstrumentCommand } from '../api.ts';
import type { FrameSink, Framer } from '../framing/framer.ts';
import type { ByteChunk } from '../links/link.ts';
import { HexBytes, hexBytes, layoutChannels, type DataSheetCommand, type Layout } from './layout.ts';
import { LayoutCodec } from './layout-codec.ts';
import { layoutFramer } from './layout-framer.ts';
import { RunCollector } from './run-collector.ts';
import { SheetReader } from './sheet-reader.ts';
import { stopOnce, zeroCommand } from './session-parts.ts';

export class LayoutSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #events = new Subject<DriverEvent>();
  readonly #context: Omit<DriverContext<unknown>, 'options'>;
  readonly #layout: Layout;
  readonly #framer: Framer;
  readonly #runs: RunCollector;
  readonly #sink: FrameSink;
  #sheets: readonly DataSheetImage[] = [];
  /** Takes what comes before the start command. */
  #sheetReader: SheetReader | null = null;
  #frames = 0;
  #state: 'new' | 'running' | 'over' = 'new';
  readonly #stop: () => Promise<void>;

  constructor(layout: Layout, context: Omit<DriverContext<unknown>, 'options'>) {
    this.events$ = this.#events.asObservable();
    this.#context = context;
    this.#layout = layout;
    const { stop } = layout.commands;
    this.#stop = stopOnce(context.link, { isRunning: () => this.#state === 'running', finish: () => this.#finish() }, () => (stop === undefined ? undefined : hexBytes(stop)));
    this.#framer = layoutFramer(layout);
    const runs = new RunCollector(layoutChannels(layout), context.link.label, (event) => this.#events.next(event));
    const codec = new LayoutCodec(layout, runs);
    this.#runs = runs;
    this.#sink = {
      frames: (bytes, bounds, count) => {
        this.#frames += count;
        codec.decode(bytes, bounds, count);
      },
      // What is missing is counted when the stretch is over.
      tooLong: (bytes) => runs.fault(null, 'FRAME_TOO_LONG', `${bytes} bytes without a frame`, 0),
      damaged: (_bytes, frames, reason) => codec.damaged(frames, reason),
    };
  }

  async start(): Promise<null> {
    if (this.#state !== 'new') throw new TorsiondError('INTERNAL', 'a driver session starts once', { where: this.#context.link.label });
    this.#assertWanted();
    this.#state = 'running';
    const { link } = this.#context;
    void link.ended.then(() => this.#finish());
    if (this.#layout.commands.teds) this.#sheetReader = new SheetReader(link, this.#context.clock, this.#context.signal);
    link.listen((chunk) => this.#take(chunk));
    if (this.#layout.commands.teds) await this.#readDataSheet(this.#layout.commands.teds);
    if (this.#layout.commands.start !== undefined) await link.write(hexBytes(this.#layout.commands.start));
    this.#assertWanted();
    return null;
  }

  dataSheets(): readonly DataSheetImage[] {
    return this.#sheets;
  }

  async command(command: InstrumentCommand): Promise<void> {
    const where = this.#context.link.label;
    if (this.#state !== 'running') throw new TorsiondError('LINK_CLOSED', 'the instrument is not connected', { where });
    const bytes = command.kind === 'send' ? command.text : zeroCommand(this.#layout.commands.zero, where);
    if (!HexBytes.safeParse(bytes).success) {
      throw new TorsiondError('COMMAND_UNSUPPORTED', `${JSON.stringify(bytes)} is not written in hexadecimal`, { where, hint: 'Write the bytes to send as pairs of hexadecimal digits, for example "a5 5a".' });
    }
    return this.#context.link.write(hexBytes(bytes));
  }

  stop(): Promise<void> {
    return this.#stop();
  }

  counters(): DriverCounters {
    return { frames: this.#frames, faults: this.#runs.faults, discardedBytes: this.#framer.discardedBytes };
  }

  #take(chunk: ByteChunk): void {
    if (this.#state !== 'running') return;
    if (this.#sheetReader) return this.#sheetReader.hear(chunk.data, chunk.atMs);
    this.#runs.begin(chunk.atMs);
    this.#framer.push(chunk.data, this.#sink);
    this.#runs.end();
  }

  async #readDataSheet(command: DataSheetCommand): Promise<void> {
    const { stop } = this.#layout.commands;
    // It may stream since an earlier connection that was lost.
    if (stop !== undefined) await this.#context.link.write(hexBytes(stop));
    this.#sheets = [await this.#sheetReader!.read(command)];
    this.#sheetReader = null;
  }

  #finish(): void {
    if (this.#state === 'over') return;
    this.#state = 'over';
    this.#framer.reset();
    this.#events.complete();
  }

  #assertWanted(): void {
    if (this.#context.signal.aborted) throw new TorsiondError('DEVICE_TIMEOUT', 'starting was given up', { where: this.#context.link.label });
  }
}
