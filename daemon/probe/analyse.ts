/** Bytes and arrival times to a proposal, with how sure it is and why. Pure: nothing is guessed where nothing shows. */
import { binaryShape } from './binary-shape.ts';
import { codesAnalysis } from './code-text.ts';
import { framesAnalysis } from './frames.ts';
import type { Analysis, HeardBytes, LinesAnalysis } from './heard.ts';
import { lineLayout } from './line-layout.ts';
import { endRate, roundRate } from './rates.ts';
import { textLines, type TextLines } from './text-lines.ts';

const LINES_MIN = 5;
const LINES_ENOUGH = 20;
const READABLE_MIN = 0.9;
const BYTES_MIN = 16;

export function analyse(heard: HeardBytes): Analysis {
  const { data } = heard;
  if (data.length === 0) return { kind: 'silence', reasons: ['no byte came'] };
  const codes = codesAnalysis(heard);
  if (codes !== null) return codes;
  if (data.length < BYTES_MIN) return unknown(`only ${data.length} bytes came, which is too little to tell`);
  if (data.every((byte) => byte === data[0])) return unknown(`the same byte (${hex(data[0]!)}) came again and again: a broken line, or a wrong baud rate`);
  const text = textLines(data);
  if (text === null) return framesAnalysis(heard) ?? withoutText(data);
  if (text.lines.length < LINES_MIN) return unknown(`text, but only ${text.lines.length} whole lines came; listen longer`);
  const layout = lineLayout(text);
  if (layout === null) return unknown('lines of text, but none of their columns holds a number in most lines');
  if (layout.readableShare < READABLE_MIN) {
    return unknown(`lines of text, but at best ${Math.round(layout.readableShare * 100)} of 100 hold a torque in the same place`);
  }
  return propose(heard, text, layout);
}

function propose(heard: HeardBytes, text: TextLines, layout: NonNullable<ReturnType<typeof lineLayout>>): LinesAnalysis {
  const { lines } = text;
  const measured = endRate(heard, text.ends);
  const measuredRateHz = measured?.hz ?? null;
  const doubts = [...layout.doubts];
  let sureness = layout.readableShare - 0.05 * doubts.filter((doubt) => !doubt.includes('status.overload')).length;
  if (lines.length < LINES_ENOUGH) {
    sureness -= 0.15;
    doubts.push(`only ${lines.length} lines were heard`);
  }
  if (new Set(lines).size === 1) {
    sureness -= 0.15;
    doubts.push('every line was the same; turn the transducer while probing');
  }
  if (layout.units.includes(null)) {
    sureness -= 0.12;
    doubts.push('the lines do not name the unit, which must be filled in (a bridge amplifier may send mV/V)');
  }
  const round = measured === null ? null : roundRate(measured);
  if (measuredRateHz === null) doubts.push('the sample rate could not be measured; it is left out and measured by the gateway');
  else if (round === null) doubts.push(`about ${measuredRateHz.toPrecision(3)} lines per second, too few of them or no round number; the rate is left out and measured by the gateway`);
  return {
    kind: 'lines', asked: null, sureness: Math.max(0.1, Math.round(sureness * 100) / 100), doubts,
    reasons: [
      `the driver reads ${Math.round(layout.readableShare * lines.length)} of ${lines.length} lines with these options`,
      ...layout.reasons,
      ...(text.dataBits === 7 ? [`the highest bit of every byte is ${text.parity} parity: 7 data bits`] : []),
      ...layout.units.every((unit) => unit !== null) ? [`the lines name the unit (${[...new Set(layout.units)].join(', ')})`] : [],
      ...(round === null ? [] : [`${measuredRateHz!.toPrecision(4)} lines per second were measured`]),
    ],
    options: layout.options, units: layout.units, largest: layout.largest, measuredRateHz, sampleRateHz: round,
    dataBits: text.dataBits, parity: text.parity, example: lines.at(-1)!,
  };
}

function withoutText(data: Uint8Array): Analysis {
  const shape = binaryShape(data);
  if (shape === null) return unknown('the bytes are no text and nothing in them repeats: noise, a wrong baud rate, or frames of varying length');
  const { frameBytes, constantBytes } = shape;
  return {
    kind: 'binary', frameBytes, constantBytes,
    reasons: [
      `no text, but a structure repeats each ${frameBytes} bytes with ${constantBytes.slice(0, 4).map((one) => hex(one.value)).join(', ')} always in the same place`,
      'what the bytes mean cannot be told from them; the manual of the device and the driver framed-binary or raw-counts are the way; at a wrong baud rate text looks like this too',
    ],
  };
}

function unknown(reason: string): Analysis {
  return { kind: 'unknown', reasons: [reason] };
}

function hex(byte: number): string {
  return `0x${byte.toString(16).padStart(2, '0')}`;
}
