/** `--from` and `--to` of a replay: everything is fed from the beginning, so values are those of the whole; only what lies inside is told. */
import { InvalidArgumentError } from 'commander';
import { TorsiondError } from '../../shared/errors.ts';
import { readMoment } from '../recording/iso-time.ts';

/** Seconds from the beginning of the file, or a moment, ms since 1970. */
export type WindowEnd = { readonly kind: 'seconds'; readonly s: number } | { readonly kind: 'moment'; readonly wallMs: number };

const SECONDS = /^[+-]?(\d+\.?\d*|\.\d+)$/;

/** @throws InvalidArgumentError */
export function windowEnd(text: string): WindowEnd {
  if (SECONDS.test(text)) return { kind: 'seconds', s: Number(text) };
  const moment = readMoment(text);
  if (moment === null) throw new InvalidArgumentError(`"${text}" is neither a number of seconds nor a date and time such as 2026-11-30T08:15:00Z`);
  return { kind: 'moment', wallMs: (moment.wholeS + moment.restS) * 1_000 };
}

/** @throws TorsiondError USAGE when nothing can lie inside */
export function checkWindow({ from, to }: { readonly from?: WindowEnd; readonly to?: WindowEnd }): void {
  const isTurned = from !== undefined && to !== undefined && from.kind === to.kind && valueOf(from) >= valueOf(to);
  if (isTurned) throw new TorsiondError('USAGE', '--from must be earlier than --to');
}

const valueOf = (end: WindowEnd): number => (end.kind === 'seconds' ? end.s : end.wallMs);

export class ReplayWindow {
  readonly #from: WindowEnd | undefined;
  readonly #to: WindowEnd | undefined;
  #originMs = 0;
  #left = 0;

  constructor(from: WindowEnd | undefined, to: WindowEnd | undefined) {
    this.#from = from;
    this.#to = to;
  }

  set originMs(wallMs: number) {
    this.#originMs = wallMs;
  }

  /** Cycles that were left out. */
  get left(): number {
    return this.#left;
  }

  /** Whether a cycle lies inside as a whole; counts those that do not. */
  holds({ startedAt, durationMs }: { readonly startedAt: string; readonly durationMs: number }): boolean {
    const startMs = Date.parse(startedAt);
    const isInside = startMs >= this.#ms(this.#from, -Infinity) && startMs + durationMs <= this.#ms(this.#to, Infinity);
    if (!isInside) this.#left++;
    return isInside;
  }

  #ms(end: WindowEnd | undefined, none: number): number {
    if (end === undefined) return none;
    return end.kind === 'moment' ? end.wallMs : this.#originMs + end.s * 1_000;
  }
}
