/** One connection to an instrument that streams binary frames. */
import type { Observable } from 'rxjs';
import { TorsiondError } from '../../shared/errors.ts';
import type { DataSheetImage, DriverContext, DriverCounters, DriverEvent, DriverSession, InstrumentCommand } from '../api.ts';
import type { Framer } from '../framing/framer.ts';
import { HexBytes, hexBytes, layoutChannels, type DataSheetCommand, type Layout } from './layout.ts';
import { LayoutCodec } from './layout-codec.ts';
import { layoutFramer } from './layout-framer.ts';
import { zeroCommand } from './session-parts.ts';
import { SheetReader } from './sheet-reader.ts';
import { StreamedSession } from './streamed-session.ts';

export class LayoutSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #context: Omit<DriverContext<unknown>, 'options'>;
  readonly #layout: Layout;
  readonly #framer: Framer;
  readonly #session: StreamedSession;
  readonly #stop: () => Promise<void>;
  #sheets: readonly DataSheetImage[] = [];
  /** Takes what comes before the start command. */
  #sheetReader: SheetReader | null = null;
  #frames = 0;

  constructor(layout: Layout, context: Omit<DriverContext<unknown>, 'options'>) {
    this.#context = context;
    this.#layout = layout;
    this.#framer = layoutFramer(layout);
    this.#session = new StreamedSession({
      context, channels: layoutChannels(layout), framer: this.#framer,
      hear: (chunk) => {
        this.#sheetReader?.hear(chunk.data, chunk.atMs);
        return this.#sheetReader !== null;
      },
      sink: (runs) => {
        const codec = new LayoutCodec(layout, runs);
        return {
          frames: (bytes, bounds, count) => {
            this.#frames += count;
            codec.decode(bytes, bounds, count);
          },
          // What is missing is counted when the stretch is over.
          tooLong: (bytes) => runs.fault(null, 'FRAME_TOO_LONG', `${bytes} bytes without a frame`, 0),
          damaged: (_bytes, frames, reason) => codec.damaged(frames, reason),
        };
      },
    });
    this.events$ = this.#session.events$;
    const { stop } = layout.commands;
    this.#stop = this.#session.stopOnce(() => (stop === undefined ? undefined : hexBytes(stop)));
  }

  async start(): Promise<null> {
    const { link, clock, signal } = this.#context;
    const { teds, start } = this.#layout.commands;
    if (teds) this.#sheetReader = new SheetReader(link, clock, signal);
    this.#session.begin();
    if (teds) await this.#readDataSheet(teds);
    if (start !== undefined) await link.write(hexBytes(start));
    this.#session.assertWanted();
    return null;
  }

  dataSheets(): readonly DataSheetImage[] {
    return this.#sheets;
  }

  async command(command: InstrumentCommand): Promise<void> {
    this.#session.assertRunning();
    const { where } = this.#session;
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
    return { frames: this.#frames, faults: this.#session.faults, discardedBytes: this.#framer.discardedBytes };
  }

  async #readDataSheet(command: DataSheetCommand): Promise<void> {
    const { stop } = this.#layout.commands;
    // It may stream since an earlier connection that was lost.
    if (stop !== undefined) await this.#context.link.write(hexBytes(stop));
    this.#sheets = [await this.#sheetReader!.read(command)];
    this.#sheetReader = null;
  }
}
