/** Settings of the driver `framed-binary`: the layout of the frames, as the protocol sheet of the instrument gives it. */
import { LayoutSettings, type Layout } from '../../values/layout.ts';

export const FramedBinaryOptions = LayoutSettings;
export type FramedBinaryOptions = Layout;
