/** IEEE 488.2 and SCPI-99 answers to what they mean. Pure. */
import type { ErrorCode } from '../../../shared/errors.ts';
import { LARGEST_VALUE } from '../../../shared/sample-block.ts';
import { unitFromSpelling } from '../../../shared/units.ts';
import type { InstrumentIdentity } from '../../api.ts';
import { quoted } from '../../values/quoted.ts';

export type NumberResult =
  | { readonly kind: 'value'; readonly value: number; readonly unit: string | null }
  | { readonly kind: 'fault'; readonly code: ErrorCode; readonly message: string };

export interface ErrorEntry {
  /** 0: no error; negative: of the standard; positive: of the device. */
  readonly number: number;
  readonly text: string;
}

/** SCPI-99: not a number, and infinity, are sent as these numbers. */
const NOT_A_NUMBER = 9.91e37;
const INFINITE = 9.9e37;
/** Devices that work in single precision send 9.9099997E+37. */
const SAME = 1e-5;
/** NR1, NR2 and NR3 of IEEE 488.2, read as tolerantly as a device reads NRf: it may write 1.5e+3 or 12. */
const NUMBER = /^([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)(?![\d.])\s*(.*)$/s;
const ERROR_ENTRY = /^([+-]?\d{1,6})\s*,\s*"(.*)"$/s;
/** SCPI-99: data corrupt or stale. */
export const STALE = -230;

/**
 * Four fields with commas: maker, model, serial number, firmware (IEEE 488.2, 10.14). What a device leaves out is
 * empty, "0" stands for "none", and commas beyond the third belong to the firmware. Null: no such answer.
 */
export function readIdentity(text: string): InstrumentIdentity | null {
  if (text === '' || readErrorEntry(text) !== null || text.split(',').every((field) => NUMBER.exec(field.trim())?.[2] === '')) return null;
  const fields = text.split(',');
  const said = (field: string | undefined): string => field?.trim().replace(/^"(.*)"$/, '$1') ?? '';
  const known = (field: string): string => (field === '0' ? '' : field);
  return { maker: said(fields[0]), model: said(fields[1]), serialNumber: known(said(fields[2])), firmware: known(said(fields.slice(3).join(','))) };
}

/** An entry of the error queue, `-113,"Undefined header"`, or null. Doubled quotes inside the text are one. */
export function readErrorEntry(text: string): ErrorEntry | null {
  const match = ERROR_ENTRY.exec(text.trim());
  return match ? { number: Number(match[1]), text: match[2]!.replace(/""/g, '"') } : null;
}

/** The parts of an answer to several queries in one message: separated by semicolons, but not those inside quotes. */
export function answerParts(text: string): readonly string[] {
  return text.match(/(?:[^";]|"[^"]*"?)+/g)?.map((part) => part.trim()) ?? [];
}

/** One number of an answer, with or without a torque unit behind it. */
export function readNumber(text: string): NumberResult {
  const trimmed = text.trim();
  if (/^[+-]?(?:nan|inf(?:inity)?|ninf)$/i.test(trimmed)) return /nan/i.test(trimmed) ? notANumber(trimmed) : overload(trimmed);
  const match = NUMBER.exec(trimmed);
  if (!match) return { kind: 'fault', code: 'FRAME_UNREADABLE', message: trimmed === '' ? 'the place of the value is empty' : `no number in ${quoted(trimmed)}` };
  const value = Number(match[1]);
  if (Math.abs(value / NOT_A_NUMBER - 1) < SAME) return notANumber(trimmed);
  if (Math.abs(value) >= INFINITE * (1 - SAME)) return overload(trimmed);
  if (Math.abs(value) > LARGEST_VALUE) return { kind: 'fault', code: 'VALUE_NOT_FINITE', message: `${quoted(trimmed)} is no torque` };
  if (match[2] === '') return { kind: 'value', value, unit: null };
  const unit = unitFromSpelling(match[2]!.replace(/^"(.*)"$/, '$1'));
  return unit ? { kind: 'value', value, unit: unit.ucum } : { kind: 'fault', code: 'UNIT_UNKNOWN', message: `${quoted(match[2]!)} behind the number is no torque unit` };
}

function notANumber(text: string): NumberResult {
  return { kind: 'fault', code: 'VALUE_NOT_FINITE', message: `the device has no value: ${quoted(text)} stands for "not a number"` };
}

function overload(text: string): NumberResult {
  return { kind: 'fault', code: 'VALUE_OVERLOAD', message: `${quoted(text)} stands for infinity: overload, or out of range` };
}
