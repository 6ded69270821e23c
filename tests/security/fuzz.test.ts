/** S8: every incoming message passes a schema; whatever else comes is refused with a code, and nothing of it gets through. */
import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { readMessage } from '../../daemon/server/stream/incoming.ts';
import { ERROR_TABLE } from '../../shared/error-table.ts';
import { ClientMessage } from '../../shared/wire/commands.ts';
import { runServer } from '../helpers/run-server.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const channel = fc.constantFrom('bench-a/1', 'bench-a/2', 'bench-é/1');
const optional = { requiredKeys: ['type', 'id'] as ('type' | 'id')[] };
const id = fc.string({ minLength: 1, maxLength: 64 });
const unit = fc.constantFrom('N.m', 'cN.m', '[lbf_av].[ft_i]');
const positive = fc.double({ min: 1e-3, max: 1e6, noNaN: true });
/** Messages as the schema means them, written apart from the schema. */
const valid = fc.oneof(
  fc.record({
    type: fc.constant('subscribe'), id, channels: fc.array(channel, { maxLength: 4 }), events: fc.array(fc.constantFrom('reading.stored', 'channel.live', 'cycle.started'), { maxLength: 3 }),
    since: fc.nat(), liveHz: fc.double({ min: 0, max: 50, noNaN: true }), samples: fc.constantFrom('none', 'json', 'binary', 'binary64'),
  }, optional),
  fc.record({ type: fc.constantFrom('unsubscribe', 'ping'), id }),
  fc.record({ type: fc.constantFrom('arm', 'hold', 'zero', 'latch'), id, channel }),
  fc.record({ type: fc.constant('scan'), id, code: fc.string({ minLength: 1, maxLength: 512 }) }),
  fc.record({
    type: fc.constant('configure'), id, channel, mode: fc.constantFrom('track', 'peak', 'first-peak'), unit, direction: fc.constantFrom('cw', 'ccw', 'both'),
    filter: fc.oneof(fc.constant({ kind: 'none' }), fc.record({ kind: fc.constant('butterworth'), order: fc.constantFrom(2, 4), cutoffHz: positive }), fc.record({ kind: fc.constant('cfc'), class: fc.constantFrom(60, 180, 600, 1000) })),
    limits: fc.oneof(fc.constant({ kind: 'none' }), fc.record({ kind: fc.constant('percent'), target: positive, minus: fc.double({ min: 0, max: 100, noNaN: true }), plus: positive })),
    holdMs: fc.option(positive),
  }, { requiredKeys: ['type', 'id', 'channel'] }),
) as fc.Arbitrary<Record<string, unknown>>;

type Mutation = (message: Record<string, unknown>, value: unknown, pick: number) => Record<string, unknown>;
const keyOf = (message: object, pick: number): string => Object.keys(message)[pick % Object.keys(message).length]!;
const MUTATIONS: Mutation[] = [
  (message, value, pick) => ({ ...message, [keyOf(message, pick)]: value }),
  (message, _value, pick) => Object.fromEntries(Object.entries(message).filter(([key]) => key !== keyOf(message, pick))),
  (message, value, pick) => ({ ...message, [`extra${pick}`]: value }),
  (message, value) => JSON.parse(`{"__proto__": ${JSON.stringify(value) ?? 'null'}, "constructor": 1, ${JSON.stringify(message).slice(1)}`) as Record<string, unknown>,
  (message, _value, pick) => ({ ...message, type: `${String(message.type)}${pick}` }),
  (message, _value, pick) => ({ ...message, [keyOf(message, pick)]: [message[keyOf(message, pick)]] }),
  (message, _value, pick) => ({ ...message, [keyOf(message, pick)]: { nested: message } }),
];

describe('messages from clients', () => {
  it('are taken when they fit', () => {
    fc.assert(fc.property(valid, (message) => {
      const incoming = readMessage(JSON.stringify(message));
      expect(incoming.kind === 'invalid' ? incoming.error.message : incoming.kind).toBe('message');
    }), { numRuns: 500 });
  });

  it('are refused with a code, or fit the schema, after any of ten thousand mutations', () => {
    let refused = 0;
    fc.assert(fc.property(valid, fc.constantFrom(...MUTATIONS), fc.jsonValue(), fc.nat(1_000), (message, mutate, value, pick) => {
      const text = JSON.stringify(mutate(message, value, pick));
      const incoming = readMessage(text);
      if (incoming.kind === 'message') {
        expect(ClientMessage.safeParse(JSON.parse(text)).success).toBe(true);
        return;
      }
      refused += 1;
      expect(incoming.error.code).toBe('MESSAGE_INVALID');
      expect(incoming.error.message.length).toBeLessThan(600);
      expect(incoming.error.hint).not.toBe('');
    }), { numRuns: 10_000 });
    expect(refused).toBeGreaterThan(5_000);
    expect(({} as Record<string, unknown>).extra0).toBeUndefined();
  });

  it('are refused when they are any text at all', () => {
    fc.assert(fc.property(fc.oneof(fc.string(), fc.json(), fc.string({ unit: 'binary' })), (text) => {
      const incoming = readMessage(text);
      expect(incoming.kind).toBe('invalid');
    }), { numRuns: 2_000 });
    for (const text of ['[', '['.repeat(60_000), '{"a":'.repeat(10_000), 'null', '1e999', '"x"', '{"type":"__proto__","id":"x"}', '{"type":"toString","id":"x"}', '{"type":"constructor","id":"x"}']) {
      expect(readMessage(text).kind).toBe('invalid');
    }
  });

  it('bring back the id of a message that is refused, when it is one', () => {
    expect(readMessage('{"type":"nonsense","id":"a7"}')).toMatchObject({ id: 'a7', error: { message: expect.stringContaining('"nonsense"') as string } });
    expect(readMessage('{"type":"ping","id":7}')).toMatchObject({ id: null });
    expect(readMessage(`{"type":"ping","id":"${'x'.repeat(65)}"}`)).toMatchObject({ id: null });
  });

  it('say which field is wrong', () => {
    expect(readMessage('{"type":"subscribe","id":"a","liveHz":51}')).toMatchObject({ error: { message: expect.stringMatching(/^liveHz: /) as string } });
    expect(readMessage('{"type":"ping","id":"a","extra":1}')).toMatchObject({ error: { message: expect.stringContaining('extra') as string } });
  });

  it('reach nothing of the gateway when they are refused, over a real socket', async () => {
    const run = await runServer();
    try {
      for (let round = 0; round < 4; round++) {
        const client = await run.connect({ scope: 'configure' });
        const texts = fc.sample(fc.tuple(valid, fc.constantFrom(...MUTATIONS), fc.jsonValue(), fc.nat(1_000)), { numRuns: 90, seed: round }).map(([message, mutate, value, pick]) => JSON.stringify(mutate(message, value, pick)));
        for (const text of texts) client.socket.send(text);
        await waitUntil(() => client.of('ok').length + client.of('refused').length >= texts.length, 'all answers');
        for (const answer of client.of('refused')) expect(Object.keys(ERROR_TABLE)).toContain(answer.code);
        client.socket.close();
      }
      for (const command of run.gateway.commands) expect(ClientMessage.safeParse(command).success).toBe(true);
      expect(run.logLines.filter((line) => line.includes('unexpectedly'))).toEqual([]);
    } finally {
      await run.stop();
    }
  });
});
