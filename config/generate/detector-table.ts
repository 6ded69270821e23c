/** The detector's numbers in daemon/capture/README.md, with and without a target. */
import { detectorNumbers } from '../../daemon/capture/defaults.ts';
import type { DetectorNumbers } from '../../shared/trace.ts';
import { CaptureSettings, DetectorSettings } from '../../shared/capture-settings.ts';
import { markdownTable, type DocSection } from './doc-section.ts';

const CAPACITY = 100;
const TARGET = 60;

export const detectorTable: readonly DocSection[] = [{
  file: 'daemon/capture/README.md',
  name: 'detector',
  render: () => {
    const without = detectorNumbers(CaptureSettings.parse({ mode: 'first-peak' }), CAPACITY, 0);
    const limits = { kind: 'percent', target: TARGET, minus: 4, plus: 4 };
    const withTarget = detectorNumbers(CaptureSettings.parse({ mode: 'first-peak', limits }), CAPACITY, 0);
    return markdownTable(['`capture.detector`', 'no target', `target ${TARGET} N·m`, 'meaning'],
      (Object.keys(DetectorSettings.shape) as (keyof DetectorNumbers)[])
        .map((name) => [`\`${name}\``, String(without[name]), String(withTarget[name]), DetectorSettings.shape[name].description ?? '']));
  },
}];
