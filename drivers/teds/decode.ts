/**
 * Transducer electronic data sheets after IEEE 1451.4: the basic part and template 33 (bridge sensors) with electrical
 * precision 2, the layouts that could be checked against a published memory dump. Everything else is named as not
 * decoded: a wrong guess at a layout would give a plausible sensitivity.
 */
import { TorsiondError } from '../../shared/errors.ts';
import { BitReader } from './bit-reader.ts';
import { takePages } from './memory.ts';
import { PHYSICAL_MEASURANDS } from './measurands.ts';

/** Template 33: what a bridge sensor says of itself. */
export interface BridgeTemplate {
  readonly id: 33;
  /** `code` of the enumeration of the standard, `unit` for people, or null when the code is not known. */
  readonly measurand: { readonly code: number; readonly unit: string | null };
  /** Range, in the unit of the measurand. */
  readonly minPhysical: number;
  readonly maxPhysical: number;
  /** Output at the ends of the range, V/V. */
  readonly minElectrical: number;
  readonly maxElectrical: number;
  readonly bridge: 'quarter' | 'half' | 'full' | null;
  /** Ω */
  readonly impedance: number;
  /** As it stands there; 0 is 1 µs. What more means could not be checked. */
  readonly responseTimeCode: number;
  /** V */
  readonly excitation: { readonly nominal: number; readonly min: number; readonly max: number };
  /** Day, ISO 8601. */
  readonly calibrationDate: string;
  readonly calibrationInitials: string | null;
  /** Days; 0: none given. */
  readonly calibrationPeriodDays: number;
  readonly locationId: number;
}

export interface Teds {
  /** Number in the list of manufacturers. */
  readonly manufacturer: number;
  readonly model: number;
  /** One letter or a blank. */
  readonly versionLetter: string;
  readonly versionNumber: number;
  readonly serialNumber: number;
  readonly template: BridgeTemplate | null;
  /** Templates that stand there and were not decoded. What comes after one cannot be found. */
  readonly notDecoded: readonly number[];
  /** Why decoding ended before the end of the data sheet, or null. */
  readonly remark: string | null;
  readonly calibrationDate: string | null;
  /** Calibration date and period; null when either is missing. */
  readonly calibrationDue: string | null;
  /** Bits of the data sheet that were read. */
  readonly bits: number;
}

export interface TedsOptions {
  /** Whether the bytes are pages of 32 with a checksum each, as in the memory, or what the pages hold. */
  readonly paged: boolean;
}

const SELECT_TEMPLATE = 0;
const SELECT_END = 3;
const MANUFACTURER_MIN = 17;
const MANUFACTURER_MAX = 16_381;
const FIRST_DAY_MS = Date.UTC(1998, 0, 1);
const DAY_MS = 86_400_000;

/**
 * @throws TorsiondError TEDS_CHECKSUM with the page whose checksum is wrong, when the data sheet reaches it; TEDS_FORMAT
 * when the bytes end before the data sheet or cannot be one
 */
export function decodeTeds(bytes: Uint8Array, { paged }: TedsOptions): Teds {
  const { data, badPage } = paged ? takePages(bytes) : { data: bytes, badPage: null };
  const reader = new BitReader(data, (bit) => (badPage === null
    ? new TorsiondError('TEDS_FORMAT', `the data sheet goes on after its last bit, ${bit}`)
    : new TorsiondError('TEDS_CHECKSUM', `the checksum of page ${badPage} is wrong`)));

  const manufacturer = reader.take(14);
  const model = reader.take(15);
  const versionLetter = reader.letters(1);
  const versionNumber = reader.take(6);
  const serialNumber = reader.take(24);
  if (manufacturer < MANUFACTURER_MIN || manufacturer > MANUFACTURER_MAX || versionLetter === null) {
    throw new TorsiondError('TEDS_FORMAT', `this is no data sheet: manufacturer ${manufacturer}, where ${MANUFACTURER_MIN} to ${MANUFACTURER_MAX} exist, and version letter ${versionLetter ?? 'none'}`);
  }
  const rest = reader.has(2) || badPage !== null ? readTemplates(reader) : NO_TEMPLATES;
  const { template } = rest;
  const hasPeriod = template !== null && template.calibrationPeriodDays > 0;
  return {
    manufacturer, model, versionLetter, versionNumber, serialNumber, ...rest,
    calibrationDate: template?.calibrationDate ?? null,
    calibrationDue: hasPeriod ? addDays(template.calibrationDate, template.calibrationPeriodDays) : null,
    bits: reader.at,
  };
}

type Templates = Pick<Teds, 'template' | 'notDecoded' | 'remark'>;
const NO_TEMPLATES: Templates = { template: null, notDecoded: [], remark: null };

function readTemplates(reader: BitReader): Templates {
  let template: BridgeTemplate | null = null;
  for (;;) {
    const selector = reader.take(2);
    if (selector === SELECT_END) {
      reader.take(1);
      return { template, notDecoded: [], remark: null };
    }
    if (selector !== SELECT_TEMPLATE) return { template, notDecoded: [], remark: `selector ${selector} is not decoded, nor what comes after it` };
    const id = reader.take(8);
    // Nothing but zeros: the memory holds only the basic part.
    if (id === 0) return { template, notDecoded: [], remark: null };
    if (id !== 33 || template !== null) return { template, notDecoded: [id], remark: `template ${id} is not decoded, nor what comes after it` };
    const found = readBridge(reader);
    if (typeof found === 'number') return { template: null, notDecoded: [33], remark: `template 33 with electrical precision ${found} is not decoded, nor what comes after it` };
    template = found;
  }
}

/** @returns the electrical precision when it is not the one whose layout is known */
function readBridge(reader: BitReader): BridgeTemplate | number {
  const code = reader.take(6);
  const minPhysical = reader.single();
  const maxPhysical = reader.single();
  const precision = reader.take(2);
  if (precision !== 2) return precision;
  const minElectrical = reader.single();
  const maxElectrical = reader.single();
  for (const [name, value] of Object.entries({ minPhysical, maxPhysical, minElectrical, maxElectrical })) {
    if (!Number.isFinite(value)) throw new TorsiondError('TEDS_FORMAT', `${name} of template 33 is ${value}`);
  }
  const bridge = (['quarter', 'half', 'full'] as const)[reader.take(2)] ?? null;
  const impedance = (10 + reader.take(18)) / 10;
  const responseTimeCode = reader.take(6);
  const volts = (): number => (1 + reader.take(9)) / 10;
  const excitation = { nominal: volts(), min: volts(), max: volts() };
  const calibrationDate = dayText(reader.take(16));
  const calibrationInitials = reader.letters(3);
  return {
    id: 33, measurand: { code, unit: PHYSICAL_MEASURANDS[code] ?? null }, minPhysical, maxPhysical, minElectrical, maxElectrical, bridge, impedance, responseTimeCode, excitation,
    calibrationDate, calibrationInitials, calibrationPeriodDays: reader.take(12), locationId: reader.take(11),
  };
}

/** @param days since 1 January 1998 */
function dayText(days: number): string {
  return new Date(FIRST_DAY_MS + days * DAY_MS).toISOString().slice(0, 10);
}

function addDays(day: string, days: number): string {
  return new Date(Date.parse(day) + days * DAY_MS).toISOString().slice(0, 10);
}
