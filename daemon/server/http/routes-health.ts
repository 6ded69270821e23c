import { Health, Readiness } from './answers.ts';
import { prometheusText } from './metrics.ts';
import { route } from './route.ts';
import type * as z from 'zod';

/** From here on clients notice; samples are still kept by the operating system. */
const SLOW_LOOP_MS = 250;

export const healthRoutes = [
  route({
    path: '/healthz', summary: 'Whether the daemon runs at all.', scope: 'none', params: null, query: null, answer: Health, errors: [],
    handle: () => ({ body: { status: 'alive' } }),
  }),
  route({
    path: '/readyz', summary: 'Whether the daemon does its job: the store takes readings, an instrument streams, the event loop keeps up.',
    scope: 'none', params: null, query: null, answer: Readiness, errors: [], otherStatuses: { 503: 'Not ready; the body says why.' },
    handle: ({ gateway, eventLoopDelayMs }) => {
      const store = gateway.store.status();
      const instruments = gateway.instruments();
      const streaming = instruments.filter((instrument) => instrument.state === 'streaming').length;
      const delayMs = eventLoopDelayMs();
      const checks: z.infer<typeof Readiness>['checks'] = {
        store: { ok: store.state === 'ready', state: store.state, pending: store.pending },
        instruments: { ok: instruments.length === 0 || streaming > 0, streaming, total: instruments.length },
        eventLoop: { ok: delayMs < SLOW_LOOP_MS, delayMs },
      };
      const ready = Object.values(checks).every((check) => check.ok);
      return { status: ready ? 200 : 503, body: { ready, checks } };
    },
  }),
  route({
    path: '/metrics', summary: 'Counters and gauges in the Prometheus text format.', scope: 'read', params: null, query: null,
    answer: { mediaType: 'text/plain; version=0.0.4; charset=utf-8' }, errors: [],
    handle: ({ gateway, ownCounters, eventLoopDelayMs }) => ({
      body: prometheusText([gateway.counters(), ownCounters(), new Map([['torsiond_event_loop_delay_p99_ms', eventLoopDelayMs()]])]),
    }),
  }),
];
