/** Tries the common settings of a port one after the other, and keeps what explains the bytes best. */
import type { Clock } from '../../shared/clock.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import { analyse } from './analyse.ts';
import type { Analysis, HeardBytes } from './heard.ts';
import { listen } from './listen.ts';

/** The commonest first. */
export const COMMON_BAUD_RATES = [115_200, 9_600, 19_200, 38_400, 57_600, 4_800, 2_400, 230_400, 460_800, 921_600, 1_200] as const;
/** Surer than this, no other rate is tried. */
const SURE_ENOUGH = 0.7;

export interface ProbeOptions {
  readonly clock: Clock;
  readonly signal: AbortSignal;
  /** How long each rate is listened to, ms. */
  readonly listenMs: number;
  readonly asks: boolean;
  /** Rates to try; null: the link has none (a pseudo terminal, TCP). */
  readonly baudRates: readonly number[] | null;
  readonly openAt: (baudRate: number | null) => OpenLink;
  readonly tried?: (baudRate: number | null, analysis: Analysis) => void;
}

export interface ProbeResult {
  readonly analysis: Analysis;
  /** The rate the analysis belongs to; null: not told. */
  readonly baudRate: number | null;
  /** What the device answered to `*IDN?`, or null. */
  readonly identity: string | null;
}

/** At most `baudRates.length` times (`listenMs` + 1 s) and the time to open. @throws TorsiondError of the LINK_ area */
export async function probePort(options: ProbeOptions): Promise<ProbeResult> {
  let best: ProbeResult = { analysis: { kind: 'silence', reasons: ['no byte came'] }, baudRate: null, identity: null };
  for (const baudRate of options.baudRates ?? [null]) {
    if (options.signal.aborted) break;
    const { heard, answers } = await listen(options.openAt(baudRate), options);
    const identity = identityIn(answers);
    // A device that streams has said enough before it was asked; one that only answers has not.
    const analysis = analyse(heard.data.length > 0 ? heard : identity === null ? answers : heard);
    options.tried?.(baudRate, analysis);
    if (rank(analysis, identity) > rank(best.analysis, best.identity)) best = { analysis, baudRate, identity };
    if (identity !== null || (analysis.kind === 'lines' && analysis.sureness >= SURE_ENOUGH)) break;
    // Whoever sends is heard at every rate, if only as garbage.
    if (analysis.kind === 'silence' && !options.asks) break;
  }
  return best;
}

function rank(analysis: Analysis, identity: string | null): number {
  const known = analysis.kind === 'lines' ? 10 + analysis.sureness : analysis.kind === 'binary' ? 2 : analysis.kind === 'unknown' ? 1 : 0;
  return known + (identity === null ? 0 : 20);
}

/** IEEE 488.2: maker, model, serial number and version with commas between. */
function identityIn(answers: HeardBytes): string | null {
  const text = new TextDecoder('latin1').decode(answers.data);
  return text.split(/[\r\n]+/).find((line) => {
    const fields = line.trim().split(',');
    return fields.length === 4 && /^[\x20-\x7e]+$/.test(line) && /[A-Za-z]{2}/.test(fields[0]!) && fields.slice(0, 2).every((field) => !/^[\s\d+.-]*$/.test(field));
  })?.trim() ?? null;
}
