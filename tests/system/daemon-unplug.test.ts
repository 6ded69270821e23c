/** The whole daemon when plugs are pulled: at 1 Hz, at 1 kHz and in a flood, 50 times each, with torque on. How soon is measured in the bench. */
import { afterAll, beforeAll, describe, expect, it, onTestFinished } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { connect } from '../../shared/client/index.ts';
import { daemonProcess } from '../helpers/daemon-process.ts';
import { Meter, metersOfAllPaces, unplugRounds, Witness } from '../helpers/plugged-meters.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const TIMES = 50;

describe('instruments that are unplugged under torque', () => {
  const meters: Meter[] = [];
  const plan = metersOfAllPaces(TIMES);
  beforeAll(async () => {
    for (const { id, rateHz, restLines } of plan) meters.push(await Meter.open(id, rateHz, restLines));
  });
  afterAll(() => Promise.all(meters.map((meter) => meter.close())));

  it(`are told as lost and come back, ${TIMES} times at each rate, and nothing is judged`, async () => {
    const data = tempFolder();
    const { token } = openTokenStore(data).create('operate', 'test');
    const daemon = daemonProcess(data);
    const port = await daemon.start({ station: 'Hollin & Fenn', server: { port: 0 }, instruments: meters.map(({ instrument }) => instrument) });
    const client = connect({ url: `http://127.0.0.1:${port}`, token, since: 0, liveHz: 20 });
    onTestFinished(() => client.close());
    const witnesses = meters.map((meter) => new Witness(client, meter));
    await client.connected();

    const told = await Promise.all(meters.map((meter, i) => unplugRounds(meter, witnesses[i]!, plan[i]!.times)));
    for (const [i, rounds] of told.entries()) {
      expect(rounds).toHaveLength(plan[i]!.times);
      for (const [round, { heard, lost, interrupted }] of rounds.entries()) {
        // Each connection says START once; what an earlier one wanted to say does not come out here.
        expect(heard).toBe('START\r\n');
        // By the port itself, not by the silence that follows.
        expect(lost.instrument).toMatchObject({ fault: { code: 'LINK_LOST' }, epoch: round + 1 });
        expect(['waiting', 'absent']).toContain(lost.instrument.state);
        expect(interrupted).toMatchObject({ reason: 'gap', epoch: round + 1, maximum: 30, direction: 'cw' });
      }
      expect(witnesses[i]!.captured).toEqual([]);
    }

    // And the next pull that is not cut is read right, on every one of them.
    await Promise.all(meters.map(async (meter, i) => {
      const witness = witnesses[i]!;
      const cycles = witness.started.length;
      await meter.plugIn();
      await waitUntil(() => witness.started.length > cycles, `${meter.id} to see torque`);
      if (meter.rateHz < 10) await client.latch(meter.channel);
      else meter.release();
      await waitUntil(() => witness.stored.length === 1, `${meter.id} to give a reading`);
      expect(witness.stored[0]!.reading).toMatchObject({ value: 30, epoch: plan[i]!.times + 1 });
      expect(witness.interrupted.length).toBeGreaterThanOrEqual(plan[i]!.times);
    }));
    client.close();
    expect(await daemon.stop()).toBe(0);
    for (const meter of meters) {
      await waitUntil(() => meter.heard.includes('STOP'), `${meter.id} to hear STOP`);
      expect(meter.heard).toBe('START\r\nSTOP\r\n');
    }
  });
});
