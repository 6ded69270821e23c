/** The real command is stopped like a machine that goes to sleep, while its device goes on: what the kernel kept is read when it wakes. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { connect, type ClientEvents } from '../../shared/client/index.ts';
import { pullOf, PULSE, pulseDevice } from '../helpers/pulse-device.ts';
import { startTorsiond } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const CHANNELS = 2;
const SILENCE_MS = 1_000;
/** What the device sends while the process is stopped, in times of what it sends during a silence: some 30 to 200 kB, which the kernel keeps. */
const STOPS = [0.3, 1.2, 2.5, 0.8, 3];
const PERIOD = PULSE.restSamples + PULSE.pullSamples;

describe('a gateway that is stopped and goes on', () => {
  it('has every pull of the device once, also those of stops longer than a silence', async () => {
    const data = tempFolder();
    const device = await pulseDevice('bench-a', CHANNELS);
    onTestFinished(() => device.close());
    const settings = join(data, 'settings.json');
    writeFileSync(settings, JSON.stringify({ station: 'Hollin & Fenn', server: { port: 0 }, instruments: [{ ...device.instrument, silenceMs: SILENCE_MS }] }));
    const { token } = openTokenStore(data).create('read', 'test');
    const command = startTorsiond(['start', '--config', settings, '--data', data]);
    await waitUntil(() => command.stdout().includes('\n') || command.process.exitCode !== null, 'the line with the address');
    const url = /http:\/\/[^\s/]+/.exec(command.stdout())![0];

    const client = connect({ url, token, since: 0, liveHz: 0 });
    onTestFinished(() => client.close());
    const stored: ClientEvents['reading.stored'][] = [];
    const interrupted: ClientEvents['cycle.interrupted'][] = [];
    const states: string[] = [];
    client.on('reading.stored', (event) => stored.push(event));
    client.on('cycle.interrupted', (event) => interrupted.push(event));
    client.on('instrument.state', ({ instrument }) => states.push(instrument.state));
    const samplesIn = (silences: number): number => (silences * SILENCE_MS * PULSE.rateHz) / 1_000;
    const isReadUpTo = (sample: number): boolean => stored.filter(({ reading }) => reading.channel === 'bench-a/1').length > sample / PERIOD - 2;

    await waitUntil(() => isReadUpTo(20 * PERIOD), 'readings');
    for (const silences of STOPS) {
      const sent = device.sent();
      command.process.kill('SIGSTOP');
      await waitUntil(() => device.sent() >= sent + samplesIn(silences), 'the device to go on alone');
      command.process.kill('SIGCONT');
      const woken = device.sent();
      await waitUntil(() => isReadUpTo(woken + 20 * PERIOD), 'what was sent meanwhile, and more');
    }
    for (let channel = 0; channel < CHANNELS; channel++) {
      const pulls = stored.filter(({ reading }) => reading.channel === `bench-a/${channel + 1}`).map(({ reading }) => pullOf(reading.value, channel));
      expect(pulls).toEqual(pulls.map((_, i) => (pulls[0]! + i) % PULSE.heights));
      expect(pulls[0]).toBeLessThanOrEqual(1);
    }
    expect(interrupted).toEqual([]);
    expect(states.filter((state) => state === 'stalled')).toEqual([]);
    command.process.kill('SIGTERM');
    expect(await command.finished).toMatchObject({ exitCode: 0 });
  });
});
