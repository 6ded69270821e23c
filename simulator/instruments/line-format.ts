/** How a virtual instrument writes a line. Written for the simulator alone; shares nothing with the gateway's reader. */
import * as z from 'zod';

/** `channel-1` is the first channel's value; `millis` the time since switch-on; `counter` goes 0 ... 65535 round. */
export const LineColumn = z.string().regex(/^(channel-[1-9]\d?|unit|status|counter|millis)$/, 'use channel-1, channel-2 ..., unit, status, counter or millis');

export const LineFormat = z.strictObject({
  columns: z.array(LineColumn).min(1).max(40).default(['channel-1']),
  separator: z.string().max(8).default(';'),
  decimals: z.number().int().min(0).max(9).default(3),
  decimalSign: z.enum(['.', ',']).default('.'),
  sign: z.enum(['minus', 'always']).default('minus').describe('"always" writes + too.'),
  width: z.number().int().min(0).max(32).default(0).describe('Values are filled up with spaces on the left.'),
  prefix: z.string().max(16).default(''),
  delimiter: z.string().min(1).max(4).default('\r\n'),
  unitText: z.string().max(12).default('Nm'),
  statusWords: z.strictObject({ ok: z.string().max(12).default('OK'), overload: z.string().max(12).default('OVER') }).prefault({}),
});
export type LineFormat = z.infer<typeof LineFormat>;

export interface LineFacts {
  readonly isOverloaded: boolean;
  readonly counter: number;
  readonly millis: number;
}

/** A function from the values (one per channel, in the unit shown) and facts to a line with its delimiter. */
export function lineWriter(format: LineFormat): (values: Float64Array, facts: LineFacts) => string {
  const columns = format.columns.map((column) => ({
    kind: column.startsWith('channel-') ? 'value' as const : column as 'unit' | 'status' | 'counter' | 'millis',
    channel: Number(column.split('-')[1] ?? 1) - 1,
  }));
  const { separator, decimals, sign, width, prefix, delimiter, unitText, statusWords } = format;
  const value = (torque: number): string => {
    let text = torque.toFixed(decimals);
    if (Number(text) === 0 && text.startsWith('-')) text = text.slice(1);
    if (sign === 'always' && !text.startsWith('-')) text = `+${text}`;
    if (format.decimalSign === ',') text = text.replace('.', ',');
    return text.length < width ? text.padStart(width) : text;
  };
  return (values, facts) => {
    let line = prefix;
    for (let i = 0; i < columns.length; i++) {
      const { kind, channel } = columns[i]!;
      if (i > 0) line += separator;
      switch (kind) {
        case 'value': line += value(values[channel]!); break;
        case 'unit': line += unitText; break;
        case 'status': line += facts.isOverloaded ? statusWords.overload : statusWords.ok; break;
        case 'counter': line += facts.counter & 0xffff; break;
        case 'millis': line += Math.round(facts.millis); break;
      }
    }
    return line + delimiter;
  };
}
