/** Short texts now and then: what a code scanner or a switch box sends. Pure. */
import type { CodesAnalysis, HeardBytes } from './heard.ts';
import { lineLayout } from './line-layout.ts';
import { characterFraming } from './text-lines.ts';

/** Some scanners put a code between these two. */
const STX = String.fromCharCode(2);
const ETX = String.fromCharCode(3);
const ENDINGS = ['\t', '\r', '\n', STX, ETX];
/** Whoever sends more often is an instrument. */
const LINES_MOST = 20;
const CODE_LENGTH_MOST = 128;
/** What came so soon after opening may be the end of something, ms. */
const WHOLE_AFTER_MS = 100;
/** From one line to the next, ms. */
const APART_MS = 200;

/** @returns null when it is anything else, or may be torque */
export function codesAnalysis(heard: HeardBytes): CodesAnalysis | null {
  const { data, arrivals, beganMs } = heard;
  const [first] = arrivals;
  if (data.length === 0 || data.length > LINES_MOST * CODE_LENGTH_MOST || !first) return null;
  const framing = characterFraming(data);
  const text = new TextDecoder('latin1').decode(framing.dataBits === 7 ? data.map((byte) => byte & 0x7f) : data);
  if ([...text].some((letter) => !/[\x20-\x7e]/.test(letter) && !ENDINGS.includes(letter))) return null;
  const delimiter = ['\r\n', '\r', '\n', ETX].find((ending) => text.endsWith(ending));
  const parts = text.split(/\r|\n|\t|[^\x20-\x7e]/).map((part) => part.trim()).filter((part) => part !== '');
  if (beganMs !== undefined && first.atMs - beganMs < WHOLE_AFTER_MS && parts.length > 1) parts.shift();
  if (delimiter === undefined || parts.length === 0 || parts.length > LINES_MOST || parts.some((part) => part.length > CODE_LENGTH_MOST)) return null;
  if (burstsOf(heard) < parts.length || parts.some(isTorqueLike)) return null;
  const distinct = new Set(parts).size;
  return {
    kind: 'codes', delimiter: delimiter === '\r\n' ? '\r' : delimiter, ...framing,
    sureness: parts.length >= 3 && distinct > 1 ? 0.75 : parts.length >= 2 ? 0.6 : 0.5,
    reasons: [`${parts.length === 1 ? 'one short text' : `${parts.length} short texts`} without a torque came, as a code scanner or a switch box sends them`, `${parts.length === 1 ? 'it' : 'each'} ends with ${JSON.stringify(delimiter)}`],
    doubts: [
      ...(parts.length < 3 ? ['so few texts tell little; scan some codes, one after the other, while probing (--seconds 20)'] : []),
      ...(distinct === 1 && parts.length > 1 ? ['the text was always the same: if a pedal sends it, put it into switches with the command that it is to give'] : []),
      'a printer port or a device that sends a message when a key is pressed looks the same',
    ],
    example: parts.at(-1)!,
  };
}

/** How many times something came after a pause. */
function burstsOf({ arrivals }: HeardBytes): number {
  return arrivals.filter(({ atMs }, i) => i === 0 || atMs - arrivals[i - 1]!.atMs >= APART_MS).length;
}

/** A longer whole number is a code. */
function isTorqueLike(line: string): boolean {
  if (/^[+-]?\d{1,5}$/.test(line)) return true;
  const layout = lineLayout({ lines: [line], ends: [line.length], delimiter: '\r', encoding: 'ascii', dataBits: 8, parity: 'none' });
  if (layout === null || layout.readableShare < 1) return false;
  return layout.units.some((unit) => unit !== null) || /\d[.,]\d/.test(line);
}
