/**
 * (c) Processor time of the whole process, user and system and all threads, while lines come at a steady rate: torsiond
 * against the plain script beside it. torsiond also times, filters, captures, judges and stores what comes; that is in
 * its figure. Lag is from when a sample was due at the sender to when a client has it, over all samples of all clients.
 */
import type { BenchLine } from './bench-line.ts';
import type { ClientLag } from './rig/messages.ts';
import { Rig, type SubjectName } from './rig/rig.ts';
import { median, spread } from './statistics.ts';

const STRETCHES = 3;
const WARM_S = 1.5;
const ATTEMPTS = 4;
const SECONDS = 3;
/** What a person at a bench does not notice yet. */
const LAG_MS = 100;
const SUBJECTS = ['plain', 'torsiond'] as const;

interface Load {
  readonly rateHz: number;
  readonly sockets: number;
  /** The sender looks so often whether lines are due. */
  readonly everyMs: number;
}

interface Measured {
  /** Share of one core, per stretch. */
  readonly cpu: readonly number[];
  readonly lag: ClientLag;
  readonly memoryMb: number;
  readonly stored: number;
  /** By how much a line left its sender late, at most. */
  readonly lateMs: number;
}
type Both = Record<SubjectName, Measured>;

export async function run(): Promise<BenchLine[]> {
  const one = await sideBySide({ rateHz: 1_000, sockets: 1, everyMs: 1 });
  const eight = await sideBySide({ rateHz: 5_000, sockets: 8, everyMs: 1 });
  const { spacingP99Ms } = one.torsiond.lag;
  return [
    line('(c) processor time at 1 kS/s, 1 client / plain script', one, 1),
    line('(c) processor time at 5 kS/s, 8 clients / plain script', eight, 0.5),
    {
      // Where the machine stalls, both stall: then what the plain script has at the same time is what counts.
      name: `(c) lag of 99 % of the samples at 5 kS/s, 8 clients / ${LAG_MS} ms, or the plain script's`, atMost: 1,
      ratio: eight.torsiond.lag.p99Ms / Math.max(LAG_MS, eight.plain.lag.p99Ms),
      detail: `${toldLag(eight.torsiond.lag)} (plain script: ${toldLag(eight.plain.lag)}); none skipped or missing; lines left up to ${eight.torsiond.lateMs.toFixed(0)} ms late`,
    },
    {
      name: '(d) p99 of sample spacing error at 1 kHz, as a client gets it over the pty / 0.15 ms', ratio: spacingP99Ms / 0.15, atMost: 1,
      detail: `${spacingP99Ms.toFixed(4)} ms over ${one.torsiond.lag.samples} samples; lines left up to ${one.torsiond.lateMs.toFixed(1)} ms late`,
    },
  ];
}

function line(name: string, both: Both, atMost: number): BenchLine {
  const percent = (subject: SubjectName): number[] => both[subject].cpu.map((share) => share * 100);
  const told = (subject: SubjectName): string => `${median(percent(subject)).toFixed(2)} % of a core (${spread(percent(subject), 1)})`;
  return {
    name, atMost, ratio: median(percent('torsiond')) / median(percent('plain')),
    detail: `${told('torsiond')} against ${told('plain')}, medians of ${STRETCHES} stretches of ${SECONDS} s; ${both.torsiond.stored} readings stored; ${both.torsiond.memoryMb.toFixed(0)} against ${both.plain.memoryMb.toFixed(0)} MB`,
  };
}

function toldLag({ medianMs, p99Ms, maxMs, growthMs }: ClientLag): string {
  return `median ${medianMs.toFixed(1)} ms, p99 of a second ${p99Ms.toFixed(1)}, max ${maxMs.toFixed(1)}, last third against first ${growthMs.toFixed(1)}`;
}

/**
 * Both at the same time on lines that never pause, so that whatever else the machine does falls on both. Because they
 * never pause, lines of the start may still be on their way when counting begins; such a run proves nothing and is
 * done anew.
 */
async function sideBySide(load: Load): Promise<Both> {
  for (let attempt = 1; ; attempt++) {
    try {
      return await oneSideBySide(load);
    } catch (thrown) {
      if (!(thrown instanceof CountedLate) || attempt === ATTEMPTS) throw thrown;
    }
  }
}

/** Samples from before counting began were among those counted. */
class CountedLate extends Error {}

async function oneSideBySide(load: Load): Promise<Both> {
  const rigs = {} as Record<SubjectName, Rig>;
  try {
    for (const subject of SUBJECTS) rigs[subject] = await Rig.start({ subject, signalHz: load.rateHz, sockets: load.sockets });
    // Both to their end, whatever becomes of one: no rig is ended while the other measure still asks it.
    const measured = await Promise.allSettled(SUBJECTS.map((subject) => measure(rigs[subject], load, subject)));
    const [plain, torsiond] = measured.map((one) => {
      if (one.status === 'rejected') throw one.reason;
      return one.value;
    });
    return { plain: plain!, torsiond: torsiond! };
  } finally {
    for (const rig of Object.values(rigs)) await rig.end();
  }
}

async function measure(rig: Rig, load: Load, subject: SubjectName): Promise<Measured> {
  const before = await rig.counts();
  const sending = rig.send(load.rateHz, WARM_S + STRETCHES * SECONDS + 0.5, load.everyMs);
  await pause(WARM_S);
  await rig.watch();
  const cpu: number[] = [];
  for (let stretch = 0; stretch < STRETCHES; stretch++) {
    const beganMs = performance.now();
    const cpuBefore = rig.program.cpuMs();
    await pause(SECONDS);
    cpu.push((rig.program.cpuMs() - cpuBefore) / (performance.now() - beganMs));
  }
  const { sent, missing, isRight, counts } = await sending;
  const lag = await rig.lag(sent.startMs, load.rateHz, before);
  // As many from before as are still on their way give the right count and a wrong sum. What is really wrong stays so.
  if (missing <= 0 && !isRight) throw new CountedLate(`${subject} at ${load.rateHz} S/s: ${-missing} samples too many, values wrong`);
  if (missing > 0 || !isRight || counts.skipped > 0 || counts.broken > 0 || counts.closed > 0) {
    throw new Error(`${subject} at ${load.rateHz} S/s: ${missing} samples missing, ${counts.skipped} skipped, ${counts.broken} breaks, ${counts.closed} closed, values ${isRight ? 'right' : 'wrong'}`);
  }
  return { cpu, lag, memoryMb: rig.program.memoryMb(), stored: counts.stored, lateMs: sent.latestMs };
}

function pause(seconds: number): Promise<void> {
  return new Promise((resolve) => setTimeout(resolve, seconds * 1_000));
}
