/** The channel pipeline of the live gateway, for one channel of a replay. */
import { ChannelPipeline } from '../pipeline/channel-pipeline.ts';
import type { ReplayChannel, ReplayPipeline, ReplayResult } from './replay.ts';

/** @param software version of torsiond that replays */
export function openReplayPipeline(channel: ReplayChannel, software: string): ReplayPipeline {
  const { unit, sign, zero, transducer, capture } = channel.settings;
  const pipeline = new ChannelPipeline({
    channel: channel.channel, source: channel.source, unit, sign, zero, transducer, capture, software,
    isSimulated: channel.isSimulated, toWallMs: channel.toWallMs,
  });
  let results: ReplayResult[] = [];
  pipeline.outcomes$.subscribe((outcome) => {
    if (outcome.kind === 'reading') results.push({ kind: 'reading', reading: outcome.reading });
    else if (outcome.kind === 'interrupted') results.push({ kind: 'interrupted', cycle: outcome.cycle });
    else if (outcome.kind === 'fault') results.push({ kind: 'fault', error: outcome.fault });
  });
  const taken = (): readonly ReplayResult[] => {
    const now = results;
    results = [];
    return now;
  };
  return {
    push: (block) => {
      pipeline.push(block);
      return taken();
    },
    end: () => {
      pipeline.end('record-ended');
      return taken();
    },
  };
}
