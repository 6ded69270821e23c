/** What a channel at rest has become by its samples so far: enough for another engine to go on bit for bit. */
import type { SampleBlock } from '../../shared/sample-block.ts';
import type { Armed } from './armed.ts';
import type { Hold } from './hold.ts';
import type { RestWatch } from './rest-watch.ts';
import type { SampleHistoryState } from './sample-history.ts';

export interface IdleState {
  /** Noise that the present numbers were made for, N.m. */
  readonly sigma: number;
  readonly armed: ReturnType<Armed['snapshot']>;
  readonly rest: ReturnType<RestWatch['snapshot']>;
  readonly history: SampleHistoryState;
  readonly block: LastBlock | null;
  readonly nextIndex: number;
  readonly sinceGap: number;
  /** Of the last cycle that was no knock. */
  readonly last: { readonly endIndex: number; readonly highest: number };
  readonly hold: ReturnType<Hold['snapshot']>;
}

/** The block before, without its samples. */
export type LastBlock = Omit<SampleBlock, 'device' | 'status' | 'torque'> & { readonly length: number };

export function lastBlockOf({ device: _device, status: _status, torque, ...facts }: SampleBlock): LastBlock {
  return { ...facts, length: torque.length };
}

/** Its samples are in the history; of the block itself only their number is asked. */
export function blockOf({ length, ...facts }: LastBlock): SampleBlock {
  return { ...facts, device: new Float64Array(length), status: null, torque: new Float64Array(length) };
}
