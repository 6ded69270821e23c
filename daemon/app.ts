/** The composition root: builds every part of the running gateway, in order, and takes it down in the other order. */
import { existsSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { systemClock, type Clock } from '../shared/clock.ts';
import { packageVersion } from './version.ts';
import { logDriverFailure } from './devices/driver-log.ts';
import { createInstrumentSet } from './devices/instrument-set.ts';
import { BrowserPorts } from './devices/browser-ports.ts';
import { linkOpener } from './devices/open-link.ts';
import { removeGatewayNote, writeGatewayNote } from './gateway-note.ts';
import type { Log } from './log.ts';
import { noteMark } from './recording/recording-format.ts';
import { RecordingHub } from './recording/recording-hub.ts';
import { createScannerSet } from './scanners/scanner-set.ts';
import { startServer } from './server/server.ts';
import { openTokenStore } from './server/tokens.ts';
import { gatewayChecks, type GatewayChecks } from './settings/default-checks.ts';
import type { Settings } from './settings/schema.ts';
import { Station } from './station/station.ts';
import { openStore } from './storage/open-store.ts';

export interface DaemonOptions {
  readonly settings: Settings;
  readonly dataDirectory: string;
  readonly log: Log;
  /** The drivers that the settings may name. Left out: those that come with the gateway. */
  readonly drivers?: Pick<GatewayChecks, 'findDriver' | 'driverOrigin'>;
  readonly clock?: Clock;
  /** Where the built page is; left out: looked for beside this file. */
  readonly pageDirectory?: string;
  /** Spreads the waits before reconnecting. */
  readonly random?: () => number;
}

export interface RunningDaemon {
  readonly url: string;
  readonly port: number;
  /** Clean stop: instruments, readings under way, clients, store. Idempotent. */
  close(): Promise<void>;
}

/** @throws TorsiondError STORE_IN_USE, STORE_NEWER, SERVER_ADDRESS … ; nothing is left open then */
export async function startDaemon(options: DaemonOptions): Promise<RunningDaemon> {
  const { settings, dataDirectory, log, drivers: { findDriver, driverOrigin } = gatewayChecks, clock = systemClock, random = Math.random } = options;
  const version = packageVersion();
  const store = await openStore(dataDirectory, { clock, log: (message) => log.warn({}, message) });
  try {
    const recordings = new RecordingHub({ station: settings.station, software: `torsiond ${version}`, driverOrigin, clock });
    const ports = new BrowserPorts(settings.instruments, clock);
    const instruments = createInstrumentSet(settings.instruments, {
      clock, random, openLink: (link, id) => linkOpener(link, { id, ports }), pagePortStamp: (id) => ports.stamp(id), findDriver,
      isTapped: (instrument) => recordings.isTapped(instrument),
      onChunk: (instrument, chunk, epoch) => recordings.chunk(instrument.id, chunk, epoch),
      onDriverFailed: (instrument, error) => logDriverFailure(log, instrument, error),
      onNote: (instrument, note, epoch) => recordings.mark(instrument.id, noteMark(instrument.id, epoch, note)),
    });
    const scanners = createScannerSet(settings.scanners, { clock, openLink: (link) => linkOpener(link), log });
    const station = new Station({ settings, instruments, store, clock, log, version, recordings, scanners, ports });
    const server = await startServer(station, settings.server, { clock, tokens: openTokenStore(dataDirectory), pageDirectory: options.pageDirectory ?? pageDirectory(), log });
    try {
      writeGatewayNote(dataDirectory, server.url);
    } catch (thrown) {
      // A full disk keeps no gateway from running; commands beside it then ask for its address.
      log.warn({ err: thrown }, 'commands will not find this gateway by its data directory');
    }
    station.start();
    let closing: Promise<void> | null = null;
    // Each part is closed whatever became of the one before: the store above all.
    const close = async (): Promise<void> => {
      try {
        await station.stop();
      } finally {
        try {
          removeGatewayNote(dataDirectory);
          await server.close();
        } finally {
          await store.close();
        }
      }
    };
    return { url: server.url, port: server.port, close: () => (closing ??= close()) };
  } catch (thrown) {
    await store.close();
    throw thrown;
  }
}

/** The built page beside this file, or under the package when this runs compiled from dist/. */
function pageDirectory(): string | null {
  const places = ['./page/dist/', '../../daemon/page/dist/'].map((place) => fileURLToPath(new URL(place, import.meta.url)));
  return places.find((place) => existsSync(`${place}index.html`)) ?? null;
}
