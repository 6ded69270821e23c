/** The layout that the options of `raw-counts` describe. */
import { checksum } from '../../framing/checksum.ts';
import { LayoutSettings, hexBytes, type Layout } from '../../values/layout.ts';
import { numberBytes } from '../../values/number-types.ts';
import type { RawCountsOptions } from './options.ts';

export function rawCountsLayout(options: RawCountsOptions): Layout {
  const { framing, sync, counter, channels, bits, coding, byteOrder, samples, commands } = options;
  const size = bits / 8;
  const syncBytes = sync === undefined ? 0 : hexBytes(sync).length;
  const first = syncBytes + (counter === undefined ? 0 : numberBytes(counter));
  const length = first + samples * channels * size + (options.checksum === undefined ? 0 : checksum(options.checksum).bytes);
  // A converter that shows its lowest or highest code has left its range: what the signal is there nobody knows.
  const lowest = coding === 'signed' ? -(2 ** (bits - 1)) : 0;
  return LayoutSettings.parse({
    framing: framing === 'sync' ? { kind: 'sync', bytes: sync, length } : { kind: framing, maxBytes: Math.max(2, length) },
    byteOrder,
    channels: Array.from({ length: channels }, (_, channel) => ({
      at: first + channel * size, type: `${coding === 'signed' ? 'i' : 'u'}${bits}`, offset: coding === 'signed' ? 0 : -(2 ** (bits - 1)),
      overloadBelow: lowest, overloadAbove: lowest + 2 ** bits - 1,
    })),
    ...(samples > 1 && { samples: { count: samples, stride: channels * size } }),
    ...(counter !== undefined && { counter: { at: syncBytes, type: counter } }),
    ...(options.checksum !== undefined && { checksum: { name: options.checksum, from: options.checksumFrom } }),
    commands,
  });
}
