import type { Clock } from '../../../shared/clock.ts';
import type { Access } from '../access/access.ts';
import type { ServerCounters } from '../counters.ts';
import type { Gateway } from '../gateway.ts';
import type { ServerLog } from '../log.ts';
import type { ChannelDirectory } from './channel-directory.ts';
import type { OutboxLimits } from './client-outbox.ts';

/** What a client's session needs of its surroundings. */
export interface StreamContext {
  readonly gateway: Gateway;
  readonly clock: Clock;
  readonly log: ServerLog;
  readonly counters: ServerCounters;
  readonly directory: ChannelDirectory;
  readonly outboxLimits: OutboxLimits;
  /** The highest sequence number announced so far. */
  readonly announcedSeq: () => number;
  readonly stillHolds: (access: Access) => boolean;
  readonly onSubscriptionChanged: () => void;
}
