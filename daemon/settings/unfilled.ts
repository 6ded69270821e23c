/** Texts that somebody still has to replace: those that `probe` writes, and those that people put there for later. Pure. */
import type { Finding } from './check-settings.ts';
import { describe } from './explain-issue.ts';
import type { SettingsPath } from './settings-fault.ts';

/** Stands for a value that only a person can know; no setting takes it. */
export function toFillIn(what: string): string {
  return `<fill in the ${what}>`;
}

const MARKED = /^<.*>$/s;
const FILL_IN = /^<fill in /;
const FOR_LATER = /^(?:to be filled in|fill (?:me )?in|todo|to do|tbd|tba|tbc|fixme|change ?me|placeholder|x{3,}|\?+|\.{2,}|…|_+|-+)[.:!]*$/i;
/** No serial number of anything, and with it no reading could be traced to its transducer. */
const NO_SERIAL_NUMBER = /^(?:unknown|none|n\/?a|no|not read yet|serial ?(?:number|no)?|s\/?n|x|0+)$/i;

/** @param input what the file holds, checked or not */
export function unfilledFindings(input: unknown): readonly Finding[] {
  const findings: Finding[] = [];
  walk(input, [], (text, path) => {
    const rule = ruleOf(text.trim(), path);
    if (rule !== null) findings.push({ code: 'SETTINGS_INVALID', path, concernsKey: false, message: rule });
  });
  return findings;
}

function ruleOf(text: string, path: SettingsPath): string | null {
  if (MARKED.test(text) && FILL_IN.test(text)) return `is still to be filled in: ${text.slice('<fill in '.length, -1)}`;
  if (isForDevice(path)) return null;
  if (MARKED.test(text) || FOR_LATER.test(text)) return `is ${describe(text)}; it looks as if it was still to be filled in`;
  return path.at(-1) === 'serialNumber' && path.includes('transducer') && NO_SERIAL_NUMBER.test(text) ? `is ${describe(text)}; fill in what stands on the transducer, because its readings are traced by it` : null;
}

/** What a device sends or is sent may be any text. */
function isForDevice(path: SettingsPath): boolean {
  return path.includes('options') || path[0] === 'scanners';
}

function walk(value: unknown, path: SettingsPath, visit: (text: string, path: SettingsPath) => void): void {
  if (typeof value === 'string') return visit(value, path);
  if (typeof value !== 'object' || value === null) return;
  if (Array.isArray(value)) value.forEach((entry, i) => walk(entry, [...path, i], visit));
  else for (const [key, entry] of Object.entries(value)) walk(entry, [...path, key], visit);
}
