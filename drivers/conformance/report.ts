/** Runs clauses: under a test runner, or plainly with a report. */
import { systemClock } from '../../shared/clock.ts';
import { deliveryOf } from '../api.ts';
import type { Clause } from './clause.ts';
import { driverClauses } from './driver-clauses.ts';
import { type PolledHarness } from './polled-bench.ts';
import { polledDriverClauses } from './polled-driver-clauses.ts';
import { type DriverHarness } from './stream-bench.ts';

/** Clauses that are not kept, by number, each with its reason. A listed gap that passes is an error too. */
export type KnownGaps = Readonly<Record<string, string>>;

/** What a test runner offers: vitest and node:test fit. */
export interface TestRunner {
  readonly describe: (name: string, body: () => void) => unknown;
  readonly it: (name: string, check: () => Promise<void>) => unknown;
}

export interface ClauseResult {
  readonly id: string;
  readonly text: string;
  /** `known-gap`: fails, and is listed with a reason. */
  readonly result: 'kept' | 'broken' | 'known-gap';
  /** What was seen, or the reason of the gap; null when kept. */
  readonly detail: string | null;
}

export interface ConformanceReport {
  readonly subject: string;
  readonly isConforming: boolean;
  readonly clauses: readonly ClauseResult[];
}

/** A harness of a driver that streams, or of one that asks. */
export type AnyDriverHarness<Options> = DriverHarness<Options> | PolledHarness<Options>;

const LIMIT_MS = 30_000;

/** The clauses that fit what the driver declares. @throws Error when the harness is for the other kind of driver */
export function clausesOfDriver<Options>(harness: AnyDriverHarness<Options>): readonly Clause[] {
  const delivery = deliveryOf(harness.driver, harness.options);
  const isPolled = 'isPoll' in harness;
  if (isPolled === (delivery === 'polled')) return isPolled ? polledDriverClauses(harness) : driverClauses(harness);
  const wanted = delivery === 'polled' ? 'isPoll and vectors with answers' : 'vectors with bytes and no isPoll';
  throw new Error(`the driver ${harness.driver.id} has delivery ${delivery} with these options; give ${wanted}`);
}

export function describeDriver<Options>(harness: AnyDriverHarness<Options>, runner: TestRunner, knownGaps: KnownGaps = {}): void {
  describeClauses(`driver ${harness.driver.id}`, clausesOfDriver(harness), runner, knownGaps);
}

/** Registers one test per clause. */
export function describeClauses(subject: string, clauses: readonly Clause[], { describe, it }: TestRunner, knownGaps: KnownGaps = {}): void {
  describe(subject, () => {
    const unknown = unknownGaps(clauses, knownGaps);
    if (unknown !== null) it('known gaps name clauses', () => Promise.reject(new Error(unknown)));
    for (const clause of clauses) {
      const reason = knownGaps[clause.id];
      it(`${clause.id} ${clause.text}${reason === undefined ? '' : ` (known gap: ${reason})`}`, async () => {
        const { result, detail } = await runClause(clause, knownGaps);
        if (result === 'broken') throw new Error(`${clause.id}: ${detail}`);
      });
    }
  });
}

export async function runDriverClauses<Options>(harness: AnyDriverHarness<Options>, knownGaps: KnownGaps = {}): Promise<ConformanceReport> {
  return runClauses(`driver ${harness.driver.id}`, clausesOfDriver(harness), knownGaps);
}

/** One after another; never rejects because of a broken clause. @throws Error when a known gap names no clause */
export async function runClauses(subject: string, clauses: readonly Clause[], knownGaps: KnownGaps = {}): Promise<ConformanceReport> {
  const unknown = unknownGaps(clauses, knownGaps);
  if (unknown !== null) throw new Error(unknown);
  const results: ClauseResult[] = [];
  for (const clause of clauses) results.push(await runClause(clause, knownGaps));
  return { subject, isConforming: results.every(({ result }) => result !== 'broken'), clauses: results };
}

const INDENT = `\n${' '.repeat(16)}`;

/** One line per clause, and what was seen below it. */
export function formatReport(report: ConformanceReport): string {
  const lines = report.clauses.map(({ id, text, result, detail }) => `${result.padEnd(9)}  ${id.padEnd(3)}  ${text}${detail === null ? '' : `\n${detail}`.replace(/\n+/g, INDENT)}`);
  return [`${report.subject}: ${report.isConforming ? 'keeps its promises' : 'breaks promises'}`, ...lines].join('\n');
}

async function runClause(clause: Clause, knownGaps: KnownGaps): Promise<ClauseResult> {
  const { id, text } = clause;
  const reason = knownGaps[id];
  let broken: string | null = null;
  let cancel = (): void => {};
  const late = new Promise<never>((_, reject) => {
    cancel = systemClock.after(LIMIT_MS, () => reject(new Error(`took more than ${LIMIT_MS / 1_000} s`)));
  });
  try {
    await Promise.race([clause.check(), late]);
  } catch (thrown) {
    // The sentence says both already.
    broken = (thrown instanceof Error ? thrown.message : String(thrown)).trim().replace(/\n\n\S+ !== \S+$/, '');
  } finally {
    cancel();
  }
  if (reason !== undefined) return broken === null ? { id, text, result: 'broken', detail: `listed as a known gap (${reason}), but it is kept: take it off the list` } : { id, text, result: 'known-gap', detail: reason };
  return broken === null ? { id, text, result: 'kept', detail: null } : { id, text, result: 'broken', detail: broken };
}

function unknownGaps(clauses: readonly Clause[], knownGaps: KnownGaps): string | null {
  const unknown = Object.entries(knownGaps).find(([id, reason]) => reason.trim() === '' || !clauses.some((clause) => clause.id === id));
  return unknown ? `known gap ${unknown[0]}: ${unknown[1].trim() === '' ? 'it needs a reason' : 'no such clause here'}` : null;
}
