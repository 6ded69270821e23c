import { describe, expect, it } from 'vitest';
import { prometheusText } from '../../../daemon/server/http/metrics.ts';

describe('the Prometheus text', () => {
  it('puts the lines of one name together under one type', () => {
    expect(prometheusText([
      new Map([['b_total{channel="x"}', 1], ['a', 2.5], ['b_total{channel="y"}', 3]]),
      new Map([['b_total', 4]]),
    ])).toBe('# TYPE a gauge\na 2.5\n# TYPE b_total counter\nb_total{channel="x"} 1\nb_total{channel="y"} 3\nb_total 4\n');
  });

  it('leaves out what is no number or has no name', () => {
    expect(prometheusText([new Map([['a', NaN], ['b', Infinity], ['{x="1"}', 1], ['c', 0]])])).toBe('# TYPE c gauge\nc 0\n');
  });
});
