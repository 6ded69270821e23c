/**
 * (c) Processor time of the whole process, user and system and all threads, while lines come at a steady rate: torsiond
 * against the plain script in turns. torsiond also times, filters, captures, judges and stores what comes; that is in
 * its figure. Lag is from when a sample was due at the sender to when a client has it, over all samples of all clients.
 */
import type { BenchLine } from './bench-line.ts';
import type { ClientLag } from './rig/messages.ts';
import { Rig, type SubjectName } from './rig/rig.ts';
import { median, spread } from './statistics.ts';

const TURNS = 3;
const WARM_S = 1.5;
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
  /** Share of one core. */
  readonly cpu: number;
  readonly lag: ClientLag;
  readonly memoryMb: number;
  readonly stored: number;
}

export async function run(): Promise<BenchLine[]> {
  const one = await turns({ rateHz: 1_000, sockets: 1, everyMs: 1 });
  const eight = await turns({ rateHz: 5_000, sockets: 8, everyMs: 1 });
  const worstLag = Math.max(...eight.torsiond.map(({ lag }) => lag.p99Ms));
  return [
    line('(c) processor time at 1 kS/s, 1 client / plain script', one, 1),
    line('(c) processor time at 5 kS/s, 8 clients / plain script', eight, 0.5),
    {
      name: `(c) lag of 99 % of the samples at 5 kS/s, 8 clients / ${LAG_MS} ms`, ratio: worstLag / LAG_MS, atMost: 1,
      detail: `worst of ${TURNS} turns; ${toldLag(eight.torsiond)}; plain script: ${toldLag(eight.plain)}; none skipped or missing`,
    },
    {
      name: '(d) p99 of sample spacing error at 1 kHz, as clients get it over the pty / 0.15 ms', atMost: 1,
      ratio: median(one.torsiond.map(({ lag }) => lag.spacingP99Ms)) / 0.15,
      detail: `${median(one.torsiond.map(({ lag }) => lag.spacingP99Ms)).toFixed(4)} ms, median of ${TURNS} turns; lines left their sender up to ${Math.max(...one.torsiond.map(({ lateMs }) => lateMs)).toFixed(1)} ms late`,
    },
  ];
}

type Turns = Record<SubjectName, (Measured & { readonly lateMs: number })[]>;

function line(name: string, found: Turns, atMost: number): BenchLine {
  const shares = (subject: SubjectName): number[] => found[subject].map(({ cpu }) => cpu * 100);
  const told = (subject: SubjectName): string => `${median(shares(subject)).toFixed(2)} % of a core (${spread(shares(subject), 1)})`;
  return {
    name, atMost, ratio: median(shares('torsiond')) / median(shares('plain')),
    detail: `${told('torsiond')} against ${told('plain')}, medians of ${TURNS} turns of ${SECONDS} s; ${found.torsiond.reduce((sum, { stored }) => sum + stored, 0)} readings stored; ${median(found.torsiond.map(({ memoryMb }) => memoryMb)).toFixed(0)} against ${median(found.plain.map(({ memoryMb }) => memoryMb)).toFixed(0)} MB`,
  };
}

function toldLag(found: readonly Measured[]): string {
  const of = (value: (lag: ClientLag) => number): string => median(found.map(({ lag }) => value(lag))).toFixed(1);
  return `median ${of((lag) => lag.medianMs)} ms, p99 ${of((lag) => lag.p99Ms)}, max ${of((lag) => lag.maxMs)}, growth ${of((lag) => lag.growthMs)}`;
}

async function turns(load: Load): Promise<Turns> {
  const rigs = {} as Record<SubjectName, Rig>;
  const found: Turns = { plain: [], torsiond: [] };
  try {
    for (const subject of SUBJECTS) rigs[subject] = await Rig.start({ subject, signalHz: load.rateHz, sockets: load.sockets });
    for (let turn = 0; turn < TURNS; turn++) for (const subject of SUBJECTS) found[subject].push(await measure(rigs[subject], load, subject));
    return found;
  } finally {
    for (const rig of Object.values(rigs)) await rig.end();
  }
}

async function measure(rig: Rig, load: Load, subject: SubjectName): Promise<Measured & { lateMs: number }> {
  const before = await rig.counts();
  const sending = rig.send(load.rateHz, WARM_S + SECONDS, load.everyMs);
  await pause(WARM_S);
  await rig.watch();
  const beganMs = performance.now();
  const cpuBefore = rig.program.cpuMs();
  await pause(SECONDS - 0.2);
  const cpu = (rig.program.cpuMs() - cpuBefore) / (performance.now() - beganMs);
  const { sent, missing, isRight, counts } = await sending;
  const lag = await rig.lag(sent.startMs, load.rateHz, before);
  if (missing > 0 || !isRight || counts.skipped > 0 || counts.broken > 0 || counts.closed > 0) {
    throw new Error(`${subject} at ${load.rateHz} S/s: ${missing} samples missing, ${counts.skipped} skipped, ${counts.broken} breaks, ${counts.closed} closed, values ${isRight ? 'right' : 'wrong'}`);
  }
  return { cpu, lag, memoryMb: rig.program.memoryMb(), stored: counts.stored, lateMs: sent.latestMs };
}

function pause(seconds: number): Promise<void> {
  return new Promise((resolve) => setTimeout(resolve, seconds * 1_000));
}
