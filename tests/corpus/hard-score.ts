/**
 * Scores the capture code on the hard corpus. Every reading and every truth is accounted for: a reading that no truth
 * asks for is wrong, a missing one is wrong, and a missing one of which nothing was told is wrong without a flag.
 */
import { CaptureSettings } from '../../shared/capture-settings.ts';
import type { Conditioning, SampleBlock } from '../../shared/sample-block.ts';
import { CaptureEngine } from '../../daemon/capture/capture-engine.ts';
import type { CaptureEvent } from '../../daemon/capture/events.ts';
import type { HardCycle, HardRecord } from '../../simulator/hard-corpus/index.ts';
import { pulseFault } from './hard-pulse.ts';

const PLAIN: Conditioning = { unit: 'N.m', calibration: { kind: 'none' }, zero: 0, sign: 1 };
const CHANNEL = 'corpus/1';

/** What became of one truth, or of a reading that none asked for. */
export type Outcome =
  | 'right' // the value, or what else was expected; `flagged` says with a flag
  | 'wrong-flagged' // another value, with a flag; a missing reading of which something was told
  | 'wrong-silent' // another value without a flag, or nothing at all
  | 'undecided-flagged' // cannot be decided, and a flag or a line says so
  | 'undecided-lucky'; // cannot be decided, the value is right and no flag warns

export interface Scored {
  readonly record: HardRecord;
  /** Index among the record's cycles; null for a reading that nothing asked for. */
  readonly cycle: number | null;
  readonly outcome: Outcome;
  /** A right reading with a flag. */
  readonly flags: readonly string[];
  readonly isClean: boolean;
  readonly decidable: boolean;
  readonly what: string;
}

type Captured = Extract<CaptureEvent, { kind: 'captured' }>;

interface Seen {
  readonly event: Captured;
  readonly startS: number;
  readonly endS: number;
}

/** What is told beside readings, in s: the stretch it speaks of, and when it was said. */
interface Told {
  readonly what: string;
  readonly fromS: number;
  readonly toS: number;
  readonly saidS: number;
}

export interface Heard {
  readonly event: CaptureEvent;
  /** When the samples up to here had been given, s. */
  readonly saidS: number;
}

/** Short enough to tell when something was said, long enough to be quick. */
const blockOf = (record: HardRecord): number => Math.max(8, Math.min(512, Math.round(0.05 * record.rateHz)));

export function captureHard(record: HardRecord, blockLength = blockOf(record)): Heard[] {
  const engine = new CaptureEngine({
    settings: CaptureSettings.parse(record.settings),
    facts: {
      channel: CHANNEL, software: 'test', capacity: record.capacity, isSimulated: true,
      transducer: { serialNumber: 'none', capacity: record.capacity, lowestTorque: null, calibrationDue: null, uncertainty: null },
    },
    toWallMs: (monoMs) => monoMs,
  });
  const { samples, rateHz, status } = record;
  const heard: Heard[] = [];
  const say = (events: readonly CaptureEvent[], to: number): void => {
    for (const event of events) heard.push({ event, saidS: to / rateHz });
  };
  for (let at = 0; at < samples.length; at += blockLength) {
    const torque = samples.slice(at, at + blockLength);
    const block: SampleBlock = {
      channel: CHANNEL, epoch: 1, firstIndex: at, gap: at === 0 ? 'connected' : null, startMs: (at * 1000) / rateHz, spacingMs: 1000 / rateHz, rateHz,
      timeEstimated: false, unit: null, device: torque, status: status?.slice(at, at + blockLength) ?? null, torque, conditioning: PLAIN,
    };
    say(engine.step(block), at + torque.length);
  }
  say(engine.end('record-ended'), samples.length);
  return heard;
}

/** Whether these settings are known to the gateway; a mode may come later than the records for it. */
export function isServed(record: HardRecord): boolean {
  return CaptureSettings.safeParse(record.settings).success;
}

const VALUE_SHARE = 0.0015;
const VALUE_SIGMAS = 4.5;

/**
 * 0.15 % + slope / sample rate + 4.5 sigma + 1 LSB, as for the other corpus; and the crest of hum and pink noise, which
 * are torque as the sensor sees it.
 */
export function tolerance(record: HardRecord, truth: HardCycle): number {
  return VALUE_SHARE * Math.abs(expectedValue(record, truth)) + truth.slopeNmPerS / record.rateHz + VALUE_SIGMAS * record.noiseSigma + record.lsb + truth.swing;
}

export function expectedValue(record: HardRecord, truth: HardCycle): number {
  return record.settings.mode === 'first-peak' ? truth.firstPeakTruth : truth.maximumTruth;
}

function isRight(record: HardRecord, truth: HardCycle, { capture }: Captured): boolean {
  if (capture.direction !== truth.direction) return false;
  if (record.settings.mode === 'first-peak' && truth.decidable && capture.click !== truth.click) return false;
  if (record.settings.mode === 'pulse' && pulseFault(record, truth, capture, tolerance(record, truth)) !== null) return false;
  return Math.abs(capture.value - expectedValue(record, truth)) <= tolerance(record, truth);
}

function pulseText(record: HardRecord, truth: HardCycle, { capture }: Captured): string {
  const fault = record.settings.mode === 'pulse' ? pulseFault(record, truth, capture, tolerance(record, truth)) : null;
  return fault === null ? '' : `; ${fault}`;
}

/** How long after the end of a cycle it may still be told, s. A channel that is deaf must say so within 2 s. */
const TOLD_LATE_S = 2.5;
const TOLD_EARLY_S = 0.1;

function seenIn(record: HardRecord, heard: readonly Heard[]): Seen[] {
  return heard.map(({ event }) => event).filter((event) => event.kind === 'captured').map((event) => {
    const { firstIndex, evidence } = event.trace;
    return { event, startS: (firstIndex + evidence.cycleAt) / record.rateHz, endS: (firstIndex + (evidence.takenAt ?? evidence.cycleAt)) / record.rateHz };
  });
}

const QUIET = new Set(['captured', 'cycle-started', 'click']);
const ORDINARY_STATES = new Set(['armed', 'cycle', 'held']);

/** Everything that is said beside readings, also of kinds that this file does not know. */
function toldIn(record: HardRecord, heard: readonly Heard[]): Told[] {
  return heard.flatMap(({ event, saidS }, i): Told[] => {
    if (QUIET.has(event.kind)) return [];
    if (event.kind === 'state') {
      // A state is told as long as it lasts.
      if (ORDINARY_STATES.has(event.state)) return [];
      const next = heard.find((later, k) => k > i && later.event.kind === 'state');
      return [{ what: event.state, fromS: saidS, toS: next?.saidS ?? record.samples.length / record.rateHz, saidS }];
    }
    const from = 'startMs' in event ? event.startMs : 'atMs' in event ? event.atMs : saidS * 1000;
    const lasts = 'durationMs' in event ? event.durationMs : 0;
    const what = 'reason' in event ? `${event.kind}:${event.reason}` : event.kind;
    return [{ what, fromS: from / 1000, toS: (from + lasts) / 1000, saidS }];
  });
}

/** A line about it in time, or a state that stands while it is applied. */
function isHeardOf(told: Told, truth: HardCycle): boolean {
  return told.fromS <= truth.endS + TOLD_LATE_S && told.toS >= truth.startS - TOLD_EARLY_S && told.saidS <= truth.endS + TOLD_LATE_S;
}

function overlap(a: { startS: number; endS: number }, b: { startS: number; endS: number }): number {
  return Math.min(a.endS, b.endS) - Math.max(a.startS, b.startS);
}

/** Each reading belongs to the truth it overlaps most, if any. */
function assign(record: HardRecord, seen: readonly Seen[]): (number | null)[] {
  return seen.map((reading) => {
    let best: number | null = null;
    let most = 0;
    record.cycles.forEach((cycle, i) => {
      const common = overlap(cycle, reading);
      if (common <= most) return;
      most = common;
      best = i;
    });
    return best;
  });
}

export function scoreRecord(record: HardRecord, blockLength = blockOf(record)): Scored[] {
  return scoreHeard(record, captureHard(record, blockLength));
}

/** @param events what was heard of the record, from wherever */
export function scoreHeard(record: HardRecord, events: readonly Heard[]): Scored[] {
  const seen = seenIn(record, events);
  const told = toldIn(record, events);
  const owner = assign(record, seen);
  const out: Scored[] = [];
  const add = (cycle: number | null, outcome: Outcome, flags: readonly string[], what: string): void => {
    const truth = cycle === null ? null : record.cycles[cycle]!;
    out.push({ record, cycle, outcome, flags, isClean: truth?.isClean ?? false, decidable: truth?.decidable ?? true, what });
  };
  const extra = (reading: Seen, why: string): void => {
    const { value, flags } = reading.event.capture;
    add(null, flags.length > 0 ? 'wrong-flagged' : 'wrong-silent', flags, `reading ${value.toFixed(4)} ${why}${flags.length > 0 ? ` (${flags.join()})` : ''}`);
  };
  seen.forEach((reading, i) => {
    if (owner[i] === null) extra(reading, 'where no torque was applied');
  });
  record.cycles.forEach((truth, i) => {
    const own = seen.filter((_, k) => owner[k] === i);
    const heard = told.filter((one) => isHeardOf(one, truth));
    const wantsReading = truth.expected === 'reading' || truth.expected === 'reading-or-told';
    const best = own.find(({ event }) => isRight(record, truth, event)) ?? own[0];
    for (const reading of own) if (reading !== best || !wantsReading) extra(reading, `beside what cycle ${i} expects (${truth.expected})`);
    if (!wantsReading) {
      const isTold = truth.expected === 'nothing' || (truth.expected === 'interrupted' ? heard.some(({ what }) => what.startsWith('interrupted')) : heard.length > 0);
      add(i, isTold ? 'right' : 'wrong-silent', [], isTold ? truth.expected : `cycle ${i}: ${truth.expected} expected, heard ${heard.map(({ what }) => what).join() || 'nothing'}`);
      return;
    }
    if (!best) {
      const isTold = heard.length > 0;
      const what = `cycle ${i}: no reading of ${expectedValue(record, truth).toFixed(4)}, told ${heard.map(({ what: said }) => said).join() || 'nothing'}`;
      if (truth.expected === 'reading-or-told' && isTold) add(i, 'right', [], what);
      else if (!truth.decidable && isTold) add(i, 'undecided-flagged', [], what);
      else add(i, isTold ? 'wrong-flagged' : 'wrong-silent', [], what);
      return;
    }
    const { capture } = best.event;
    const right = isRight(record, truth, best.event);
    const what = `cycle ${i}: value ${capture.value.toFixed(4)} click ${capture.click ?? '-'}, truth ${expectedValue(record, truth).toFixed(4)} `
      + `click ${truth.click ?? '-'}, allowed ${tolerance(record, truth).toFixed(4)}${capture.flags.length > 0 ? `, ${capture.flags.join()}` : ''}${pulseText(record, truth, best.event)}`;
    const isFlagged = capture.flags.length > 0;
    if (!truth.decidable) add(i, isFlagged ? 'undecided-flagged' : right ? 'undecided-lucky' : 'wrong-silent', capture.flags, what);
    else if (right) add(i, 'right', capture.flags, what);
    else add(i, isFlagged ? 'wrong-flagged' : 'wrong-silent', capture.flags, what);
  });
  return out;
}

export interface HardTally {
  records: number;
  /** Truths with one right answer. */
  decidable: number;
  right: number;
  rightFlagged: number;
  wrongFlagged: number;
  wrongSilent: number;
  /** Readings that nothing asked for; they are in wrongFlagged and wrongSilent too. */
  extra: number;
  clean: number;
  cleanFlagged: number;
  undecidable: number;
  undecidedFlagged: number;
  undecidedLucky: number;
}

export function newTally(): HardTally {
  return {
    records: 0, decidable: 0, right: 0, rightFlagged: 0, wrongFlagged: 0, wrongSilent: 0, extra: 0, clean: 0, cleanFlagged: 0,
    undecidable: 0, undecidedFlagged: 0, undecidedLucky: 0,
  };
}

export interface HardScore {
  readonly families: Map<string, HardTally>;
  /** All that is not right, wrong values first to be looked at. */
  readonly misses: Scored[];
  /** Families whose settings the gateway does not know. */
  readonly unserved: Set<string>;
}

/** @param hear what captures; another one to try the scorer itself */
export function scoreHard(records: Iterable<HardRecord>, hear: (record: HardRecord) => readonly Heard[] = captureHard): HardScore {
  const families = new Map<string, HardTally>();
  const misses: Scored[] = [];
  const unserved = new Set<string>();
  for (const record of records) {
    if (!isServed(record)) {
      unserved.add(record.family);
      continue;
    }
    const tally = families.get(record.family) ?? newTally();
    families.set(record.family, tally);
    tally.records++;
    for (const scored of scoreHeard(record, hear(record))) {
      count(tally, scored);
      const isCleanFlagged = scored.isClean && scored.outcome === 'right' && scored.flags.length > 0;
      if (scored.outcome.startsWith('wrong') || isCleanFlagged) misses.push(scored);
    }
  }
  return { families, misses, unserved };
}

function count(tally: HardTally, { cycle, outcome, flags, isClean, decidable }: Scored): void {
  if (cycle === null) tally.extra++;
  else if (decidable) tally.decidable++;
  else tally.undecidable++;
  const isFlagged = flags.length > 0;
  if (outcome === 'right') tally.right++;
  if (outcome === 'right' && isFlagged) tally.rightFlagged++;
  if (outcome === 'wrong-flagged') tally.wrongFlagged++;
  if (outcome === 'wrong-silent') tally.wrongSilent++;
  if (outcome === 'undecided-flagged') tally.undecidedFlagged++;
  if (outcome === 'undecided-lucky') tally.undecidedLucky++;
  if (isClean && outcome === 'right') tally.clean++;
  if (isClean && outcome === 'right' && isFlagged) tally.cleanFlagged++;
}
