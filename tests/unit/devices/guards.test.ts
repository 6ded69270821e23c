import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { eventFault } from '../../../daemon/devices/driver-guard.ts';
import { identityFault } from '../../../daemon/devices/identity-guard.ts';
import { SharedLink } from '../../../daemon/devices/session-link.ts';
import type { DriverEvent } from '../../../drivers/api.ts';
import { createMemoryLink } from '../../../drivers/links/memory-link.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';

const found = { maker: 'Hollin & Fenn', model: 'Invented 60', serialNumber: ' hf-0001 ', firmware: '2.1' };

describe('identityFault', () => {
  it('lets anybody in when the settings name nobody', () => {
    expect(identityFault(undefined, null, 'x')).toBeNull();
    expect(identityFault({}, null, 'x')).toBeNull();
  });

  it('compares the named fields, without regard to case and outer spaces', () => {
    expect(identityFault({ serialNumber: 'HF-0001', maker: 'hollin & fenn' }, found, 'x')).toBeNull();
  });

  it('names what differs', () => {
    expect(identityFault({ serialNumber: 'HF-0002' }, found, 'bench-a')).toMatchObject({
      code: 'DEVICE_MISMATCH', where: 'bench-a', message: 'the settings want serial number "HF-0002", the device says "hf-0001"',
    });
  });

  it('does not take silence for agreement', () => {
    expect(identityFault({ model: 'Invented 60' }, null, 'x')?.message).toBe('the settings want model "Invented 60", the device does not say');
    expect(identityFault({ model: 'Invented 60' }, { ...found, model: '' }, 'x')).not.toBeNull();
  });
});

describe('eventFault', () => {
  const values = (over: Partial<Extract<DriverEvent, { kind: 'values' }>>): DriverEvent =>
    ({ kind: 'values', channel: 0, values: Float64Array.of(1, 2), unit: null, status: null, atMs: 10, ...over });
  const told = (over: Partial<Extract<DriverEvent, { kind: 'fault' }>>): DriverEvent =>
    ({ kind: 'fault', error: new TorsiondError('VALUE_OVERLOAD', 'made up'), channel: null, missing: 1, atMs: 10, ...over });

  it('accepts what keeps the contract', () => {
    expect(eventFault(values({ status: Uint8Array.of(0, 1) }), 1, 10, 'x')).toBeNull();
    expect(eventFault(told({ channel: 1, missing: 0 }), 2, 9, 'x')).toBeNull();
  });

  it.each([
    ['goes back in time', values({ atMs: 9.9 })], ['no time', values({ atMs: NaN })], ['no such channel', values({ channel: 1 })], ['half a channel', values({ channel: 0.5 })],
    ['infinite', values({ values: Float64Array.of(1, Infinity) })], ['not a number', values({ values: Float64Array.of(1, Number.NaN) })], ['beyond any torque', values({ values: Float64Array.of(-1e16) })], ['status too short', values({ status: Uint8Array.of(0) })],
    ['plain array', values({ values: [1, 2] as unknown as Float64Array })], ['negative count', told({ missing: -1 })], ['half a sample', told({ missing: 0.5 })],
    ['fault without a code', told({ error: new Error('made up') as TorsiondError })], ['unknown kind', { kind: 'other', atMs: 10 } as unknown as DriverEvent],
  ])('names a broken contract: %s', (_name, event) => {
    expect(eventFault(event, 1, 10, 'x')?.code).toBe('DRIVER_FAILED');
  });
});

describe('SharedLink', () => {
  const setUp = () => {
    const { link, far } = createMemoryLink(new ManualClock());
    const seen = { settling: 0, chunks: 0, thrown: [] as unknown[] };
    const shared = new SharedLink(link, { onSettling: () => seen.settling++, onChunk: () => seen.chunks++, onThrown: (thrown) => seen.thrown.push(thrown) });
    return { link, far, shared, seen };
  };

  it('accounts for every byte: settled away, kept for the driver, handed over, or dropped', () => {
    fc.assert(fc.property(fc.array(fc.integer({ min: 1, max: 30_000 }), { maxLength: 12 }), fc.nat(12), fc.nat(12), (sizes, shareAt, listenAfter) => {
      const { far, shared } = setUp();
      let heard = 0;
      let session: ReturnType<SharedLink['share']> | null = null;
      const listen = (): void => session?.listen((chunk) => (heard += chunk.data.length));
      sizes.forEach((size, i) => {
        if (i === shareAt) session = shared.share();
        if (session && i === shareAt + listenAfter) listen();
        far.deliver(new Uint8Array(size));
      });
      if (session && sizes.length <= shareAt + listenAfter) listen();
      expect(heard + shared.discardedBytes).toBe(sizes.reduce((sum, size) => sum + size, 0));
      expect(shared.bytes).toBe(heard + shared.discardedBytes);
    }));
  });

  it('leaves a revoked session deaf and dumb, and tells it that its link has ended', async () => {
    const { far, shared } = setUp();
    const first = shared.share();
    let heard = 0;
    first.listen(() => (heard += 1));
    const second = shared.share();
    second.listen(() => {});
    far.deliver('x');
    expect(heard).toBe(0);
    await expect(first.write(Uint8Array.of(1))).rejects.toMatchObject({ code: 'LINK_CLOSED' });
    expect(await first.ended).toEqual({ reason: 'closed' });
    await second.write(Uint8Array.of(2));
    expect(far.written).toHaveLength(1);
  });

  it('does not stay paused for the next session', () => {
    const { far, shared } = setUp();
    shared.share().pause!();
    let heard = 0;
    shared.share().listen(() => (heard += 1));
    far.deliver('x');
    expect(heard).toBe(1);
  });

  it('does not let a driver close the link', async () => {
    const { far, shared } = setUp();
    await shared.share().close();
    expect(far.isOpen).toBe(true);
  });

  it('catches what a listener throws', () => {
    const { far, shared, seen } = setUp();
    shared.share().listen(() => { throw new Error('made up'); });
    far.deliver('x');
    expect(seen.thrown).toHaveLength(1);
    expect(far.isOpen).toBe(true);
  });
});
