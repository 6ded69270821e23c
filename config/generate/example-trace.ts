/** Makes config/examples/three-pulls.csv: three pulls of an invented click wrench, as a data logger would write them. */
import { writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { ChannelSource } from '../../simulator/instruments/channel-source.ts';
import { OperatorPlan, ToolPlan } from '../../simulator/instruments/tool-plan.ts';

export const EXAMPLE_TRACE_FILE = fileURLToPath(new URL('../examples/three-pulls.csv', import.meta.url));

const RATE_HZ = 250;
const SECONDS = 12;
const SEED = 60;
const DECIMALS = 2;

export function exampleTraceText(): string {
  const source = new ChannelSource({
    tool: ToolPlan.parse({ kind: 'click-wrench', setNm: 50, scatterPercent: 2.5 }),
    operator: OperatorPlan.parse({ goesOnShare: 0.7, overPercent: [8, 16], easesOffShare: 0.4 }),
    pauseS: [0.8, 1.5], firstPullS: 0.6, pulls: 3,
    sensor: { capacity: 60, noiseSigma: 0.012, offset: 0, driftPerS: 0, bits: 16, bandwidthHz: 100 },
    clockErrorPpm: 0, jitterS: 0,
  }, RATE_HZ, SEED);
  const rows = Array.from({ length: RATE_HZ * SECONDS }, (_, i) => `${(i / RATE_HZ).toFixed(3)},${source.next().toFixed(DECIMALS)}`);
  return `time_s,torque_Nm\n${rows.join('\n')}\n`;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) writeFileSync(EXAMPLE_TRACE_FILE, exampleTraceText());
