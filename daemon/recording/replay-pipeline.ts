/** The channel pipeline of the live gateway, for one channel of a replay. */
import { TorsiondError } from '../../shared/errors.ts';
import { convertTorque } from '../../shared/units.ts';
import { ChannelPipeline } from '../pipeline/channel-pipeline.ts';
import { fitState } from './exact-state.ts';
import type { ChannelAction, ReplayChannel, ReplayPipeline, ReplayResult } from './replay-types.ts';

/** @param software version of torsiond that replays */
export function openReplayPipeline(channel: ReplayChannel, software: string): ReplayPipeline {
  const { unit, deviceUnit, signal, sign, zero, transducer, capture } = channel.settings;
  const pipeline = new ChannelPipeline({
    channel: channel.channel, source: channel.source, unit, deviceUnit, signal, sign, zero, transducer, capture, software,
    isSimulated: channel.isSimulated, toWallMs: channel.toWallMs,
  });
  let results: ReplayResult[] = [];
  pipeline.outcomes$.subscribe((outcome) => {
    if (outcome.kind === 'reading') results.push({ kind: 'reading', reading: outcome.reading });
    else if (outcome.kind === 'interrupted') results.push({ kind: 'interrupted', cycle: outcome.cycle });
    else if (outcome.kind === 'dismissed') results.push({ kind: 'dismissed', cycle: outcome.cycle });
    else if (outcome.kind === 'state' && outcome.standing !== null) {
      const { unit: shown } = pipeline.settings;
      results.push({
        kind: 'loaded',
        note: {
          type: 'channel.loaded', source: channel.source, channel: channel.channel, unit: shown, torque: convertTorque(outcome.standing, 'N.m', shown),
          at: new Date(channel.toWallMs(outcome.atMs)).toISOString(),
        },
      });
    } else if (outcome.kind === 'fault') results.push({ kind: 'fault', error: outcome.fault });
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
    end: (reason = 'record-ended') => {
      pipeline.end(reason);
      return taken();
    },
    restore: (state) => pipeline.restore(fitState(state, pipeline.snapshot(), channel.channel)),
    startCapture: (state) => {
      pipeline.startCapture(fitState(state, pipeline.snapshot().capture!, channel.channel));
      return taken();
    },
    act: (action) => {
      act(pipeline, action);
      return taken();
    },
  };
}

function act(pipeline: ChannelPipeline, action: ChannelAction): void {
  try {
    if (action.kind === 'configure') return pipeline.configure(action.settings);
    switch (action.command) {
      case 'arm': return pipeline.arm();
      case 'hold': return pipeline.hold();
      case 'latch': return pipeline.latch(action.zeroCheck);
      // Whether it is found is seen in the samples; nobody waits for the answer here.
      case 'zero': return void pipeline.zero().catch(() => {});
    }
  } catch (thrown) {
    // The replay may have other settings than the live run had.
    if (!(thrown instanceof TorsiondError)) throw thrown;
  }
}
