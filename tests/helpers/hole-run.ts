/**
 * Two pulls and one disturbance through a whole station: the real driver of a device, the real runner, clock, capture and
 * judgement. The cable is in memory, and time is the plan's: nothing here waits.
 */
import { createInstrumentSet } from '../../daemon/devices/instrument-set.ts';
import { createLog } from '../../daemon/log.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { Station } from '../../daemon/station/station.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../drivers/links/memory-link.ts';
import type { Reading } from '../../shared/reading.ts';
import { HeldStore } from './held-store.ts';
import type { HoleDevice, PolledDevice, PushedDevice } from './hole-drivers.ts';
import { END_MS, PULLS, plannedArrivals, torqueAt, touches, type Hole, type HolePlan, type Pull } from './hole-plan.ts';
import { ManualClock } from './manual-clock.ts';
import { seeded } from './seeded.ts';

export interface HoleCase {
  readonly device: HoleDevice;
  readonly plan: HolePlan;
  /** The settings say the rate. Polled ones know it anyway. */
  readonly isRateDeclared: boolean;
  /** Of a polled device: what it is asked in the hole it does not hear, else it answers it when the hole is over. */
  readonly isDeaf: boolean;
  /** ms */
  readonly timeoutMs: number;
}

export interface HoleOutcome {
  readonly readings: readonly Reading[];
  readonly interrupted: readonly string[];
  readonly states: readonly string[];
  /** Samples that the gateway counts as missing. */
  readonly missing: number;
  /** Null: the device missed nothing. */
  readonly hole: Hole | null;
}

export interface PullVerdict {
  readonly pull: Pull;
  /** As `touches`. */
  readonly isTouched: boolean | null;
  /** Readings of the pull. */
  readonly readings: number;
}

/** Lets what waits only for promises go on this often, ms. */
const BREATHE_MS = 20;
/** While a polled device is asked, this often. */
const POLL_STEP_MS = 1;
const SETTLE_MS = 2_000;

const turn = (): Promise<void> => new Promise((resolve) => setImmediate(resolve));

export async function runHole(holeCase: HoleCase): Promise<HoleOutcome> {
  const { device, plan } = holeCase;
  const clock = new ManualClock();
  const far: MemoryFarEnd[] = [];
  const polled = device.kind === 'polled' ? new PolledFarEnd(device, holeCase, clock) : null;
  const settings = Settings.parse({
    station: 'Hollin & Fenn',
    instruments: [{
      id: 'bench', link: { kind: 'serial', path: '/dev/made-up' }, driver: { id: device.driver.id, options: optionsOf(holeCase) },
      channels: [{
        ...(device.kind === 'pushed' && holeCase.isRateDeclared ? { sampleRateHz: plan.rateHz } : {}),
        zero: { kind: 'fixed' }, transducer: { serialNumber: 'HF-T60-0001 (invented)', capacity: 60 }, capture: { mode: 'peak' },
      }],
    }],
  });
  const instruments = createInstrumentSet(settings.instruments, {
    clock, random: seeded(1), findDriver: (id) => (id === device.driver.id ? device.driver : undefined), portStamp: async () => 'a port',
    openLink: () => async () => {
      const made = createMemoryLink(clock, '/dev/made-up');
      far.push(made.far);
      polled?.serve(made.far);
      return made.link;
    },
  });
  const log = createLog({ isTerminal: false, level: 'silent', write: () => {} });
  const station = new Station({ settings, instruments, store: new HeldStore(), clock, log, version: '0.0.0-test' });
  const readings: Reading[] = [];
  const interrupted: string[] = [];
  const states: string[] = [];
  station.events$.subscribe((event) => {
    if (event.type === 'reading.captured') readings.push(event.reading);
    if (event.type === 'cycle.interrupted') interrupted.push(event.reason);
    if (event.type === 'instrument.state') states.push(event.instrument.state);
  });
  const pass = async (untilMs: number, stepMs: number): Promise<void> => {
    while (clock.monoMs() < untilMs) {
      clock.advance(Math.min(stepMs, untilMs - clock.monoMs()));
      await turn();
    }
  };

  station.start();
  for (const endMs = clock.monoMs() + SETTLE_MS; instruments.get('bench')!.info().state !== 'streaming' && clock.monoMs() < endMs;) {
    await pass(clock.monoMs() + POLL_STEP_MS, POLL_STEP_MS);
  }
  if (instruments.get('bench')!.info().state !== 'streaming') throw new Error(`${device.name} does not stream: ${states.join(', ')}`);
  const originMs = clock.monoMs();
  if (polled) {
    polled.originMs = originMs;
    await pass(originMs + END_MS, POLL_STEP_MS);
  } else {
    await push(device as PushedDevice, plan, clock, far);
  }
  const missing = instruments.counters().get('torsiond_samples_missing_total{channel="bench/1"}') ?? Number.NaN;
  const stopped = station.stop();
  await pass(clock.monoMs() + SETTLE_MS, 100);
  await stopped;
  const hole = polled ? polled.hole() : plan.kind === 'hole' ? { fromMs: plan.atMs, toMs: plan.atMs + plan.lastsMs, rateHz: plan.rateHz } : null;
  return { readings, interrupted, states, missing, hole };
}

/** What became of each pull; the durations of its readings are held to what was pulled. */
export function verdicts({ readings, hole }: HoleOutcome): readonly PullVerdict[] {
  return PULLS.map((pull) => ({
    pull,
    isTouched: hole === null ? false : touches(hole, pull),
    readings: readings.filter(({ value }) => isOf(value, pull)).length,
  }));
}

/** Readings that are of no pull, or of another length than the pull had. */
export function strangers({ readings }: HoleOutcome, rateHz: number): readonly Reading[] {
  return readings.filter(({ value, durationMs }) => {
    const pull = PULLS.find((one) => isOf(value, one));
    if (pull === undefined) return true;
    const lastsMs = pull.toMs - pull.fromMs;
    return Math.abs(durationMs - 0.95 * lastsMs) >= 0.1 * lastsMs + 2_000 / rateHz;
  });
}

function isOf(value: number, { torque }: Pull): boolean {
  return Math.abs(value - torque) < 0.1 * torque;
}

function optionsOf({ device, plan, timeoutMs }: HoleCase): object {
  return device.kind === 'pushed' ? device.options : device.options({ rateHz: plan.rateHz, timeoutMs, quietMs: Math.min(200, timeoutMs) });
}

async function push(device: PushedDevice, plan: HolePlan, clock: ManualClock, far: readonly MemoryFarEnd[]): Promise<void> {
  const originMs = clock.monoMs();
  let breathedMs = originMs;
  let sent = 0;
  for (const { atMs, torque, number } of plannedArrivals(plan)) {
    while (originMs + atMs - breathedMs > BREATHE_MS) {
      breathedMs += BREATHE_MS;
      clock.advance(breathedMs - clock.monoMs());
      await turn();
    }
    clock.advance(originMs + atMs - clock.monoMs());
    const frames = Array.from(torque, (one, i) => device.encode(one, number + i, sent++));
    const link = far.at(-1)!;
    if (link.isOpen) link.deliver(frames.length === 1 ? frames[0]! : Buffer.concat(frames));
  }
}

/** Answers after some ms, and in its bad time late or not at all. */
class PolledFarEnd {
  /** Null: nothing is measured yet. */
  originMs: number | null = null;
  readonly #device: PolledDevice;
  readonly #case: HoleCase;
  readonly #clock: ManualClock;
  readonly #random: () => number;
  /** When samples were taken that were answered in time, ms from the beginning. */
  readonly #takenMs: number[] = [];
  #isHeldUp = false;
  #cancel: () => void = () => {};

  constructor(device: PolledDevice, holeCase: HoleCase, clock: ManualClock) {
    this.#device = device;
    this.#case = holeCase;
    this.#clock = clock;
    this.#random = seeded(holeCase.plan.seed);
  }

  serve(far: MemoryFarEnd): void {
    far.onWrite((message) => {
      const nowMs = this.#clock.monoMs() - (this.originMs ?? Infinity);
      const answer = this.#device.answer(message, torqueAt(nowMs));
      const waitMs = answer && this.#waitMs(nowMs, answer.isSample);
      if (answer === null || waitMs === null) return;
      // A device remembers one question: a new one takes the place of the one before.
      this.#cancel();
      this.#cancel = this.#clock.after(waitMs, () => {
        if (!far.isOpen) return;
        if (answer.isSample && nowMs >= 0 && waitMs < this.#case.timeoutMs) this.#takenMs.push(nowMs);
        far.deliver(answer.bytes);
      });
    });
  }

  /** The longest time without a sample, if the device was asked to miss any. */
  hole(): Hole | null {
    const { plan } = this.#case;
    if (plan.kind === 'delay') return null;
    const gaps = this.#takenMs.map((atMs, i) => ({ fromMs: this.#takenMs[i - 1] ?? 0, toMs: atMs, rateHz: plan.rateHz }));
    return gaps.reduce((longest, gap) => (gap.toMs - gap.fromMs > longest.toMs - longest.fromMs ? gap : longest));
  }

  /** Until it answers, ms; null: it does not. */
  #waitMs(nowMs: number, isSample: boolean): number | null {
    const { plan, isDeaf } = this.#case;
    const { atMs, lastsMs, kind, jitterMs, rateHz } = plan;
    const usualMs = 0.5 + jitterMs * this.#random() ** 3;
    if (!(nowMs >= atMs && nowMs < atMs + lastsMs)) return usualMs;
    if (kind === 'hole') return isDeaf ? null : atMs + lastsMs - nowMs + usualMs;
    const periodMs = 1_000 / rateHz;
    // Once nearly two periods, or always less than one: each question can still be asked.
    if (!isDeaf) return isSample ? Math.max(usualMs, (0.9 - 0.5 * this.#random()) * (periodMs - 4)) : usualMs;
    if (this.#isHeldUp) return usualMs;
    this.#isHeldUp = true;
    return 1.8 * periodMs - 4;
  }
}
