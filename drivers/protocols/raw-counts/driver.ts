/** Bridge amplifiers that stream the counts of their converters. The channel's `signal` and the transducer's `bridge` make torque of them. */
import { DRIVER_API_VERSION, defineDriver } from '../../api.ts';
import { LayoutSession } from '../../values/layout-session.ts';
import { rawCountsLayout } from './codec.ts';
import { RawCountsOptions } from './options.ts';

export const rawCounts = defineDriver<RawCountsOptions>({
  apiVersion: DRIVER_API_VERSION,
  id: 'raw-counts',
  title: 'Counts of bridge amplifiers',
  optionsSchema: RawCountsOptions,
  capabilities: { delivery: 'pushed', identifies: false, commands: ['send'], sendsCounts: true },
  channelCount: (options) => options.channels,
  dataSheetChannels: ({ commands: { teds } }) => (teds === undefined ? [] : [teds.channel - 1]),
  createSession: ({ options, ...context }) => new LayoutSession(rawCountsLayout(options), context),
});
