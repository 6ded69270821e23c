/** What the page says: one place, so that one thing has one word. */
import { usbDeviceName } from '../../shared/client/index.ts';
import type { CaptureSettings, FilterSettings } from '../../shared/capture-settings.ts';
import type { Direction, DismissReason, InterruptReason, Verdict } from '../../shared/reading.ts';
import type { ChannelInfo, InstrumentInfo, InstrumentState, ScannerInfo, ScannerState } from '../../shared/wire/events.ts';
import type { PortStatus } from './page-ports.ts';

export const VERDICT_WORDS: Record<Verdict, string> = {
  within: 'Within limits', low: 'Low', high: 'High', undecided: 'Undecided', none: 'Not judged',
};

export const INSTRUMENT_WORDS: Record<InstrumentState, string> = {
  'absent': 'Not plugged in', 'opening': 'Opening', 'settling': 'Settling', 'identifying': 'Identifying', 'streaming': 'Streaming',
  'stalled': 'No data', 'waiting': 'Trying again', 'needs-attention': 'Needs attention', 'stopped': 'Stopped',
};

/** Where the instrument gives no fault of its own. */
export const INSTRUMENT_REASONS: Partial<Record<InstrumentState, string>> = {
  absent: 'The instrument is not plugged in. It is picked up by itself as soon as it is.',
  stalled: 'The port is open but no samples come.',
  waiting: 'The connection to the instrument was lost; it is tried again by itself.',
  stopped: 'The instrument is switched off in the settings.',
};

export const SCANNER_WORDS: Record<ScannerState, string> = { opening: 'Opening', connected: 'Connected', waiting: 'Not connected', stopped: 'Switched off' };

/** Where the scanner gives no fault of its own. */
export const SCANNER_REASONS: Partial<Record<ScannerState, string>> = {
  waiting: 'The scanner was lost; it is picked up by itself as soon as it is back.',
  stopped: 'It is switched off in the settings.',
};

/** All scanners in a few words; null when none is in use. */
export function scannersInShort(scanners: readonly ScannerInfo[]): { readonly text: string; readonly isWell: boolean } | null {
  const used = scanners.filter((scanner) => scanner.state !== 'stopped');
  const connected = used.filter((scanner) => scanner.state === 'connected').length;
  if (used.length === 0) return null;
  const isWell = connected === used.length;
  if (used.length === 1) return { text: isWell ? 'Scanner connected' : 'Scanner not connected', isWell };
  return { text: isWell ? `${used.length} scanners connected` : `${connected} of ${used.length} scanners connected`, isWell };
}

/** Who a code came from. */
export function scanSource(source: string, scanners: ReadonlyMap<string, ScannerInfo>): string {
  const [kind, ...rest] = source.split(':');
  const name = rest.join(':');
  if (kind === 'scanner') return `from ${scanners.get(name)?.title ?? name}`;
  return name === 'page' ? 'typed by a scanner at the page' : `from ${name === '' ? source : name}`;
}

export const SCAN_SPOILT = 'A scanner typed keys that are no characters; the code is not known and was not taken. Set the scanner to plain characters and to this keyboard\'s layout.';
export const SCAN_SCOPE = 'Your token may only read: the code was not passed on.';

/** With a capital and a full stop. */
export function sentence(text: string): string {
  const trimmed = text.trim();
  return trimmed === '' ? '' : `${trimmed[0]!.toUpperCase()}${trimmed.slice(1)}${/[.!?]$/.test(trimmed) ? '' : '.'}`;
}

export const CHANNEL_WORDS: Record<ChannelInfo['state'], string> = { offline: 'Offline', armed: 'Armed', cycle: 'Torque applied', held: 'Held', loaded: 'Loaded at rest' };

export const MODE_WORDS: Record<CaptureSettings['mode'], string> = { 'track': 'Track', 'peak': 'Peak', 'first-peak': 'First peak', 'pulse': 'Pulse' };

export const DIRECTION_WORDS: Record<Direction, string> = { cw: 'clockwise', ccw: 'counter-clockwise' };

export const INTERRUPT_WORDS: Record<InterruptReason, string> = {
  'gap': 'samples are missing', 'bad-sample': 'a sample was unreadable', 'overload': 'the device reported overload',
  'already-loaded': 'torque was on before the channel was armed', 'too-long': 'it lasted too long', 'record-ended': 'the record ended',
  'settings-changed': 'the settings were changed', 'stopped': 'capturing was stopped',
};

export const DISMISS_WORDS: Record<DismissReason, string> = {
  'too-short': 'too short for a pull', 'other-direction': 'in the other direction than set', 'standing': 'it crept there and stood still',
  'no-pulse': 'nothing stood out', 'not-taken': 'not still, and not taken by hand',
};

export function filterText(filter: FilterSettings): string {
  switch (filter.kind) {
    case 'none': return 'no low-pass';
    case 'butterworth': return `low-pass ${filter.cutoffHz} Hz, order ${filter.order}`;
    case 'cfc': return `low-pass CFC ${filter.class}`;
  }
}

export const CAUTIONS: readonly string[] = [
  'Keep impact and free-running pulse tools off this bench unless the transducer is rated for them. Run power tools on a run-down fixture, never straight into a transducer; look after the fixture and grease it.',
  'Stay below the capacity of the transducer. After an overload unload it, zero it, and have its calibration checked before you trust it again.',
  'A transducer is commonly used between a tenth of its capacity and all of it; outside its calibrated range a reading is marked.',
  'Fix the transducer to a bench that carries the torque. With a long wrench stand braced, pull rather than push, with an open hand and your face clear of the line in which it may slip.',
  'Use the matching square, fully engaged, without stacked adapters. Load it in its own plane, never from the side. Keep fingers out of reaction bars.',
  'Wear eye protection, and hearing protection with power tools. Keep sleeves, hair and gloves away from turning parts. Disconnect air or power before you change a joint.',
  'Let the transducer warm up for 15 to 30 minutes. Set the direction first. Zero before each run and never under load. Set a setting tool back to its lowest value when you are done.',
];

const NO_USB = {
  secure: 'This browser cannot read USB devices. Where the transducer is plugged in, open this page in a browser with WebUSB: Chrome, Edge or Opera.',
  insecure: 'A browser reads USB devices only for pages that came over https or from the machine itself (localhost). Put a proxy with TLS in front of the station, or open this page there.',
};

/** What the port or USB device of this computer does for an instrument. */
export function portWords(status: PortStatus, instrument: InstrumentInfo): { readonly text: string; readonly tone: 'quiet' | 'well' | 'alert' } {
  switch (status.kind) {
    case 'unsupported': return {
      text: instrument.pageUsb ? NO_USB[status.isSecure ? 'secure' : 'insecure'] : status.isSecure
        ? 'This browser cannot read serial ports. Where the transducer is plugged in, open this page in a browser with Web Serial: Chrome, Edge or Opera on a desktop.'
        : 'A browser reads serial ports only for pages that came over https or from the machine itself (localhost). Put a proxy with TLS in front of the station, or open this page there.',
      tone: 'quiet',
    };
    case 'none': {
      if (status.note !== null) return { text: status.note, tone: 'alert' };
      const isElsewhere = instrument.state === 'streaming';
      return { text: isElsewhere ? `The transducer is read through another page: ${instrument.link}.` : instrument.pageUsb ? `The transducer (${usbDeviceName(instrument.pageUsb)}) may be plugged in at this computer: connect it.` : 'The transducer may be plugged in at this computer: connect its port.', tone: 'quiet' };
    }
    case 'used': {
      const { name, state, cuts } = status;
      const counted = cuts === 0 ? '' : ` Read errors so far: ${cuts}.`;
      switch (state.kind) {
        case 'connecting': return { text: state.why === null ? `Offering ${name} to the station…` : `${name} is not connected to the station now; it is tried again by itself. (${state.why})`, tone: state.why === null ? 'quiet' : 'alert' };
        case 'offered': return { text: `${name} at this computer is ready; the station opens it by itself.${counted}`, tone: 'quiet' };
        case 'open': return { text: `Reading ${name} at this computer. Keep this page open.${counted}`, tone: 'well' };
        case 'ended': return state.reason === 'refused' ? { text: `${sentence(state.error.message)} ${state.error.hint}`, tone: 'alert' }
          : { text: state.reason === 'unplugged' ? `${name} was unplugged. It is connected again by itself when it is back.` : `${name} was disconnected.`, tone: 'alert' };
      }
    }
  }
}
