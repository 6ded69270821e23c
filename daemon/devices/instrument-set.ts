/** All instruments of the station. Each lives alone: what goes wrong in one does not reach another. */
import { Subject, type Observable } from 'rxjs';
import type { DriverDefinition } from '../../drivers/api.ts';
import type { AskNote, ByteChunk, OpenLink } from '../../drivers/links/link.ts';
import { usbDeviceStamp } from '../../drivers/links/usb-devices.ts';
import type { Clock } from '../../shared/clock.ts';
import { asTorsiondError, type TorsiondError } from '../../shared/errors.ts';
import type { DeviceBlock } from '../../shared/sample-block.ts';
import type { InstrumentInfo } from '../../shared/wire/events.ts';
import type { InstrumentSettings, LinkSettings } from '../settings/schema.ts';
import { isPageLink } from './browser-ports.ts';
import { createInstrument } from './instrument-runner.ts';
import type { Instrument, InstrumentGap } from './instrument.ts';
import { serialPortStamp } from './port-watcher.ts';

type DeviceLink = Extract<LinkSettings, { kind: 'usb' | 'hid' }>;

/** Elsewhere only opening tells. */
const systemDeviceStamp = process.platform === 'linux' ? (link: DeviceLink) => usbDeviceStamp(link.kind, link) : null;

export interface InstrumentSetDeps {
  readonly clock: Clock;
  readonly random: () => number;
  readonly openLink: (link: LinkSettings, instrument: string) => OpenLink;
  /** Undefined, or a TorsiondError thrown, when the driver cannot be had: told by that instrument's state. */
  readonly findDriver: (id: string) => DriverDefinition | undefined;
  /** Names the port of a serial path, null when it is not there. Default: `serialPortStamp`. */
  readonly portStamp?: (path: string) => Promise<string | null>;
  /** Names the port that a page offers for an instrument, null while none does. Left out: pages cannot bring any, which opening tells. */
  readonly pagePortStamp?: (instrument: string) => string | null;
  /** Names the USB or HID devices that the settings may mean, null when none is there. Default: as Linux tells. */
  readonly deviceStamp?: (link: DeviceLink) => Promise<string | null>;
  readonly onChunk?: (instrument: InstrumentSettings, chunk: ByteChunk, epoch: number) => void;
  readonly onNote?: (instrument: InstrumentSettings, note: AskNote, epoch: number) => void;
  /** As in `InstrumentDeps`. */
  readonly onDriverFailed?: (instrument: string, error: TorsiondError) => void;
  /** Whether anybody wants an instrument's chunks now. Left out: always. */
  readonly isTapped?: (instrument: string) => boolean;
}

export interface InstrumentSet {
  /** In the order of the settings. */
  readonly instruments: readonly Instrument[];
  get(id: string): Instrument | undefined;
  /** Every instrument's; hot, never error. `info$` brings changes only: ask `instruments` for the present. */
  readonly info$: Observable<InstrumentInfo>;
  readonly blocks$: Observable<DeviceBlock>;
  readonly gaps$: Observable<InstrumentGap>;
  /** Starts those that are enabled. */
  start(): void;
  /** All at the same time; within 2 s. */
  stop(): Promise<void>;
  counters(): ReadonlyMap<string, number>;
}

export function createInstrumentSet(settings: readonly InstrumentSettings[], deps: InstrumentSetDeps): InstrumentSet {
  const info$ = new Subject<InstrumentInfo>();
  const blocks$ = new Subject<DeviceBlock>();
  const gaps$ = new Subject<InstrumentGap>();
  const stampOf = deps.portStamp ?? ((path: string) => serialPortStamp(path));
  const instruments = settings.map((entry) => {
    const look = portLook(entry, deps.pagePortStamp ?? null, stampOf, deps.deviceStamp ?? systemDeviceStamp);
    const { onChunk, onNote, onDriverFailed, isTapped } = deps;
    const instrument = createInstrument(entry, {
      clock: deps.clock,
      random: deps.random,
      openLink: deps.openLink(entry.link, entry.id),
      driver: driverOf(entry, deps),
      portExists: async () => look === null || (await look()) !== null,
      ...(look === null ? {} : { portStamp: look }),
      ...(onChunk ? { onChunk: (chunk: ByteChunk, epoch: number) => onChunk(entry, chunk, epoch) } : {}),
      ...(onNote ? { onNote: (note: AskNote, epoch: number) => onNote(entry, note, epoch) } : {}),
      ...(onDriverFailed ? { onDriverFailed: (error: TorsiondError) => onDriverFailed(entry.id, error) } : {}),
      ...(isTapped ? { isTapped: () => isTapped(entry.id) } : {}),
    });
    instrument.info$.subscribe(info$);
    instrument.blocks$.subscribe(blocks$);
    instrument.gaps$.subscribe(gaps$);
    return instrument;
  });
  return {
    instruments,
    get: (id) => instruments.find((instrument) => instrument.id === id),
    info$: info$.asObservable(),
    blocks$: blocks$.asObservable(),
    gaps$: gaps$.asObservable(),
    start: () => {
      for (const instrument of instruments) if (instrument.settings.enabled) instrument.start();
    },
    stop: async () => void (await Promise.all(instruments.map((instrument) => instrument.stop()))),
    counters: () => new Map(instruments.flatMap((instrument) => [...instrument.counters()])),
  };
}

/** How to look for the port of an instrument; null where only opening tells. */
function portLook(
  { id, link }: InstrumentSettings, pagePortStamp: ((instrument: string) => string | null) | null, serialStamp: (path: string) => Promise<string | null>,
  deviceStamp: ((link: DeviceLink) => Promise<string | null>) | null,
): (() => Promise<string | null>) | null {
  if (isPageLink(link)) return pagePortStamp === null ? null : async () => pagePortStamp(id);
  if (link.kind === 'usb' || link.kind === 'hid') return deviceStamp === null ? null : () => deviceStamp(link);
  return link.kind === 'serial' ? () => serialStamp(link.path) : null;
}

function driverOf(settings: InstrumentSettings, deps: InstrumentSetDeps): DriverDefinition | TorsiondError | null {
  try {
    return deps.findDriver(settings.driver.id) ?? null;
  } catch (thrown) {
    return asTorsiondError(thrown, 'DRIVER_FAILED');
  }
}
