/** Instruments that stream binary frames. */
import { DRIVER_API_VERSION, defineDriver } from '../../api.ts';
import { layoutChannels } from '../../values/layout.ts';
import { LayoutSession } from '../../values/layout-session.ts';
import { FramedBinaryOptions } from './options.ts';

export const framedBinary = defineDriver<FramedBinaryOptions>({
  apiVersion: DRIVER_API_VERSION,
  id: 'framed-binary',
  title: 'Binary frames',
  optionsSchema: FramedBinaryOptions,
  capabilities: { delivery: 'pushed', identifies: false, commands: ['zero', 'send'] },
  channelCount: layoutChannels,
  dataSheetChannels: ({ commands: { teds } }) => (teds === undefined ? [] : [teds.channel - 1]),
  createSession: ({ options, ...context }) => new LayoutSession(options, context),
});
