/**
 * What changes in a step function must be in its snapshot and come back by its restore, or recordings that join a running
 * connection replay to other readings. Whoever adds a field is told here, by its name.
 */
import { readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';

interface Kept {
  readonly file: string;
  readonly className: string;
  readonly write: string;
  readonly read: string;
  /** What need not be kept, and why. */
  readonly without?: Readonly<Record<string, string>>;
}

const KEPT: readonly Kept[] = [
  { file: 'daemon/pipeline/arrival-fit.ts', className: 'ArrivalFit', write: 'snapshot', read: 'restore' },
  { file: 'daemon/pipeline/rate-meter.ts', className: 'RateMeter', write: 'snapshot', read: 'restore' },
  { file: 'daemon/pipeline/hole-watch.ts', className: 'HoleWatch', write: 'snapshot', read: 'restore' },
  { file: 'daemon/capture/rest-watch.ts', className: 'RestWatch', write: 'snapshot', read: 'restore' },
  { file: 'daemon/pipeline/sample-clock.ts', className: 'SampleClock', write: 'snapshot', read: 'restore' },
  { file: 'daemon/pipeline/sample-source.ts', className: 'SampleSource', write: 'snapshot', read: 'restore' },
  { file: 'daemon/conditioning/zero.ts', className: 'ZeroFinder', write: 'snapshot', read: 'restore' },
  { file: 'daemon/conditioning/conditioner.ts', className: 'Conditioner', write: 'snapshot', read: 'restore', without: { before: 'holds within one step only' } },
  { file: 'daemon/capture/idle-noise.ts', className: 'IdleNoise', write: 'snapshot', read: 'restore' },
  { file: 'daemon/capture/sample-history.ts', className: 'SampleHistory', write: 'snapshot', read: 'restore' },
  { file: 'daemon/capture/hold.ts', className: 'Hold', write: 'snapshot', read: 'restore' },
  {
    file: 'daemon/capture/capture-engine.ts', className: 'CaptureEngine', write: 'idleState', read: 'restore',
    without: {
      settings: 'given to the engine', counts: 'follow from settings and rate', numbers: 'follow from settings and sigma',
      still: 'begins anew with each cycle',
    },
  },
];

/** From the line that begins with `opening` to the line that closes it. */
function blockOf(source: string, opening: RegExp, indent: string): string {
  const lines = source.split('\n');
  const from = lines.findIndex((line) => opening.test(line));
  if (from < 0) return '';
  const to = lines.findIndex((line, i) => i > from && line === `${indent}}`);
  return lines.slice(from, to).join('\n');
}

describe.each(KEPT)('$className', ({ file, className, write, read, without = {} }) => {
  const body = blockOf(readFileSync(fileURLToPath(new URL(`../../${file}`, import.meta.url)), 'utf8'), new RegExp(`^export class ${className}\\b`), '');
  const written = blockOf(body, new RegExp(`^  ${write}\\(`), '  ');
  const restored = blockOf(body, new RegExp(`^  ${read}\\(`), '  ');
  const fields = [...body.matchAll(/^ {2}#(\w+)\??(?:: [^=;]+)?(?: = .*)?;$/gm)].map((match) => match[1]!).filter((field) => !(field in without));

  it('keeps all that changes', () => {
    expect(fields.length + Object.keys(without).length).toBeGreaterThan(0);
    expect(fields.filter((field) => !new RegExp(`#${field}\\b`).test(written))).toEqual([]);
    expect(fields.filter((field) => !new RegExp(`#${field}\\b`).test(restored))).toEqual([]);
  });

  it('has what is named here as not kept', () => {
    for (const field of Object.keys(without)) expect(body).toMatch(new RegExp(`^ {2}#${field}\\b`, 'm'));
  });
});
