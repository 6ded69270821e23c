/**
 * (b) The highest sample rate that goes all the way from the pseudo terminal to a client, against the plain script.
 * Lines made beforehand are sent at a pace; a rate is sustained when every sample has come within 150 ms
 * after the last line, in order, with none skipped. The rate is raised until it fails and lowered until it holds; other
 * work on the machine can only lower it, so the highest of the turns counts, for both.
 */
import type { BenchLine } from './bench-line.ts';
import { Rig, type SubjectName } from './rig/rig.ts';
import { median, spread } from './statistics.ts';

const TURNS = 3;
const SECONDS = 1;
const AFTER_MS = 150;
const TRIES = 3;
/** Coarse steps to find where to look, which does not count; then finer ones. */
const COARSE = 1.6;
const FINE = 1.25;
/** What torsiond is told; lines come faster than any transducer sends, so the pulls in them are short. */
const SIGNAL_HZ = 20_000;
const SUBJECTS = ['plain', 'torsiond'] as const;

interface Found {
  readonly rateHz: number;
  readonly cpuUsPerSample: number;
  readonly stored: number;
}

export async function run(): Promise<BenchLine[]> {
  const rigs = {} as Record<SubjectName, Rig>;
  try {
    for (const subject of SUBJECTS) rigs[subject] = await Rig.start({ subject, signalHz: SIGNAL_HZ, sockets: 1 });
    return lines(await turns(rigs));
  } finally {
    for (const rig of Object.values(rigs)) await rig.end();
  }
}

async function turns(rigs: Record<SubjectName, Rig>): Promise<Record<SubjectName, Found[]>> {
  const found: Record<SubjectName, Found[]> = { plain: [], torsiond: [] };
  const from: Record<SubjectName, number> = { plain: 90_000, torsiond: 900_000 };
  for (let turn = 0; turn <= TURNS; turn++) {
    for (const subject of SUBJECTS) {
      if (turn === 0) await rigs[subject].send(from[subject] / 2, 1);
      const one = await highest(rigs[subject], subject, from[subject], turn === 0 ? COARSE : FINE, turn === 0 ? 1 : TRIES);
      from[subject] = one.rateHz;
      if (turn > 0) found[subject].push(one);
    }
  }
  return found;
}

function lines(found: Record<SubjectName, readonly Found[]>): BenchLine[] {
  const rates = (subject: SubjectName): number[] => found[subject].map(({ rateHz }) => rateHz / 1_000);
  const cpu = (subject: SubjectName): number => median(found[subject].map(({ cpuUsPerSample }) => cpuUsPerSample));
  const told = (subject: SubjectName): string => `${Math.max(...rates(subject)).toFixed(0)} kS/s (${spread(rates(subject), 0)})`;
  return [
    {
      name: '(b) highest sustained sample rate / plain script', atLeast: 8,
      ratio: Math.max(...rates('torsiond')) / Math.max(...rates('plain')),
      detail: `${told('torsiond')} against ${told('plain')}, the highest that held in any of ${TURNS} turns; medians ${(median(rates('torsiond')) / median(rates('plain'))).toFixed(1)}; ${found.torsiond.reduce((sum, { stored }) => sum + stored, 0)} readings stored meanwhile`,
    },
    {
      name: '    processor time per sample at those rates / plain script',
      ratio: cpu('torsiond') / cpu('plain'), detail: `${cpu('torsiond').toFixed(2)} µs against ${cpu('plain').toFixed(2)} µs`,
    },
  ];
}

async function highest(rig: Rig, subject: SubjectName, startHz: number, step: number, tries: number): Promise<Found> {
  let best: Found = { rateHz: 0, cpuUsPerSample: NaN, stored: 0 };
  await edge(startHz, step, tries, async (rateHz) => {
    const before = rig.program.cpuMs();
    const { sent, missing, isRight, afterMs, counts } = await rig.send(rateHz, SECONDS);
    if (missing === 0 && !isRight) throw new Error(`${subject} changed values on the way`);
    // A sender that cannot keep its own pace says nothing about the rate.
    const tookMs = sent.endMs - sent.startMs + afterMs;
    const holds = sent.endMs - sent.startMs <= SECONDS * 1_000 + AFTER_MS && missing === 0 && afterMs <= AFTER_MS && sent.lostBytes === 0 && counts.skipped === 0 && counts.closed === 0 && counts.broken === 0;
    // What is claimed is what came from the first line sent to the last sample counted.
    const provenHz = (rateHz * SECONDS * 1_000) / tookMs;
    if (holds && provenHz > best.rateHz) best = { rateHz: provenHz, cpuUsPerSample: ((rig.program.cpuMs() - before) * 1_000) / (rateHz * SECONDS), stored: counts.stored };
    return holds;
  });
  return best;
}

/** The highest rate of startHz * step^n that holds below one that does not. A failure counts when it happens every time: others work here too. */
async function edge(startHz: number, step: number, tries: number, isSustained: (rateHz: number) => Promise<boolean>): Promise<void> {
  const holds = async (rateHz: number): Promise<boolean> => {
    for (let n = 0; n < tries; n++) if (await isSustained(rateHz)) return true;
    return false;
  };
  let rateHz = startHz;
  if (await holds(rateHz)) {
    while (await holds(rateHz * step)) rateHz *= step;
    return;
  }
  do {
    rateHz /= step;
    if (rateHz < 100) throw new Error('no rate at all is sustained');
  } while (!(await holds(rateHz)));
}
