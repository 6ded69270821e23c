/** Torque beside the bytes, where `record` has the port itself: through the gateway's channel pipeline, whose readings nobody takes. */
import type { Instrument } from '../devices/instrument.ts';
import { ChannelPipeline } from '../pipeline/channel-pipeline.ts';
import type { Recorder } from '../recording/recorder.ts';
import type { CommandContext } from './context.ts';

export function recordTorque(instrument: Instrument, recorder: Pick<Recorder, 'torque'>, { version, clock }: CommandContext): void {
  const pipelines = new Map<string, ChannelPipeline>();
  const open = (channel: string): ChannelPipeline => {
    // Not before the first samples: the device may name its transducers.
    const { unit, signal, sign, zero, transducer, capture } = instrument.settings.channels[instrument.channels.indexOf(channel)]!;
    const pipeline = new ChannelPipeline({
      channel, source: null, unit, signal, sign, zero, transducer, capture, isSimulated: instrument.settings.simulated, software: version,
      toWallMs: (monoMs) => monoMs + clock.wallMs() - clock.monoMs(),
    });
    pipelines.set(channel, pipeline);
    pipeline.samples$.subscribe((block) => recorder.torque(block));
    return pipeline;
  };
  instrument.blocks$.subscribe((block) => (pipelines.get(block.channel) ?? open(block.channel)).push(block));
  instrument.gaps$.subscribe(() => {
    for (const pipeline of pipelines.values()) pipeline.end('gap');
    // Another transducer may be on it when it comes back.
    pipelines.clear();
  });
}
