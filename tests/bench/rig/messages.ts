/** What the processes of the bench say to each other. Times are of the machine's monotonic clock, ms, the same in all of them. */

export type SenderOrder =
  | { readonly kind: 'open'; readonly rateHz: number; readonly seconds: number }
  /** Lines at a pace: those that are due, every so many ms. */
  | { readonly kind: 'send'; readonly rateHz: number; readonly count: number; readonly everyMs: number };

export type SenderAnswer =
  | { readonly kind: 'open'; readonly path: string }
  | {
      readonly kind: 'sent';
      /** Line i was due at startMs + i * 1000 / rateHz. */
      readonly startMs: number;
      readonly endMs: number;
      /** By how much a line left later than it was due, at most. */
      readonly latestMs: number;
      /** Dropped because the port did not take them. */
      readonly lostBytes: number;
      /** Of the values in the lines. */
      readonly sum: number;
      readonly sumOfMagnitudes: number;
    };

export type ClientOrder =
  | { readonly kind: 'connect'; readonly subject: 'torsiond' | 'plain'; readonly address: string; readonly token: string; readonly sockets: number }
  | { readonly kind: 'counts' }
  /** Notes when each sample comes, from now on. */
  | { readonly kind: 'watch' }
  /** Lag of the noted samples against when they were due, over all sockets; ends the noting. */
  | {
      readonly kind: 'lag';
      /** Sample 0 was due then; it is the one after `before[socket]` samples. */
      readonly startMs: number;
      readonly rateHz: number;
      readonly before: readonly number[];
    };

export interface ClientCounts {
  readonly kind: 'counts';
  /** Samples per socket since it was connected. */
  readonly samples: readonly number[];
  /** Of their values. */
  readonly sums: readonly number[];
  /** Frames that did not continue the one before, samples that were told as skipped, and sockets that closed, over all sockets. */
  readonly broken: number;
  readonly skipped: number;
  readonly closed: number;
  /** `reading.stored` events, of the first socket. */
  readonly stored: number;
}

export interface ClientLag {
  readonly kind: 'lag';
  readonly samples: number;
  /** From when the sample was due at the sender to when the client had it, ms. */
  readonly medianMs: number;
  /** p99 of each second; of these the median, so that a stall of the machine counts for its second only. */
  readonly p99Ms: number;
  readonly maxMs: number;
  /** That of the last third of the seconds less that of the first: a backlog that grows shows here. */
  readonly growthMs: number;
  /** p99 of |distance of consecutive samples - what was meant|, from the times in the frames, ms; of no meaning where frames have none. */
  readonly spacingP99Ms: number;
}

export type ClientAnswer = { readonly kind: 'connected' } | ClientCounts | ClientLag;

export function machineMs(): number {
  return Number(process.hrtime.bigint()) / 1e6;
}
