/** `kill -9` of the whole daemon, over and over on the same data directories, while readings are taken and while it starts. */
import { createServer, type AddressInfo } from 'node:net';
import { describe, expect, it, onTestFinished } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { openStoreReadOnly } from '../../daemon/storage/open-store.ts';
import { connect, type ClientEvents } from '../../shared/client/index.ts';
import { daemonProcess } from '../helpers/daemon-process.ts';
import { pulseDevice } from '../helpers/pulse-device.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** Over all stations; those killed while they start come on top. More: `TORSIOND_TEST_KILLS=1000 npm test -- tests/system/daemon-kill.test.ts`. */
const KILLS = Number(process.env['TORSIOND_TEST_KILLS'] ?? 100);
const STATIONS = 2;
const KILLS_AT_START = 16;
const CHANNELS = 4;
/** A kill comes after so many readings of a run, and up to so long after them, or after the daemon was told to start, ms. */
const LEAST_BEFORE_KILL = 5;
const MOST_BEFORE_KILL = 50;
const LATEST_KILL_MS = 15;
const LATEST_KILL_AT_START_MS = 150;
const CHECK_EVERY = 36;

const pause = (ms: number): Promise<void> => new Promise((resolve) => setTimeout(resolve, ms));

/** A port that nobody has, so that a client can come back to the same address. */
async function freePort(): Promise<number> {
  const server = createServer();
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const { port } = server.address() as AddressInfo;
  await new Promise((resolve) => server.close(resolve));
  return port;
}

type Stored = ClientEvents['reading.stored'];

/** What a client was told must be what the file holds: same numbers, same readings, nothing missing, the chain whole. */
async function check(data: string, announced: readonly Stored[]): Promise<number> {
  const store = await openStoreReadOnly(data);
  try {
    const kept: Stored['reading'][] = [];
    for (;;) {
      const page = await store.readings({ afterSeq: kept.length, limit: 1_000 });
      if (page.length === 0) break;
      kept.push(...page.map(({ reading }) => reading));
    }
    expect(kept.map(({ seq }) => seq)).toEqual(kept.map((_, i) => i + 1));
    expect(new Set(kept.map(({ id }) => id)).size).toBe(kept.length);
    expect(announced.length).toBeLessThanOrEqual(kept.length);
    expect(announced.map(({ seq, reading }) => ({ seq, reading }))).toEqual(kept.slice(0, announced.length).map((reading) => ({ seq: reading.seq, reading })));
    expect(await store.audit()).toMatchObject({ records: kept.length, lastSeq: kept.length, faults: [] });
    return kept.length;
  } finally {
    await store.close();
  }
}

/** @returns readings announced, readings stored, and kills with readings under way */
async function station(number: number, kills: number, killsAtStart: number): Promise<{ announced: number; kept: number; killed: number }> {
  const random = seeded(number);
  const data = tempFolder();
  const device = await pulseDevice('bench-a', CHANNELS);
  onTestFinished(() => device.close());
  const port = await freePort();
  const settings = { station: 'Hollin & Fenn', server: { port }, instruments: [device.instrument] };
  const { token } = openTokenStore(data).create('read', 'test');
  const client = connect({ url: `http://127.0.0.1:${port}`, token, since: 0, liveHz: 0, events: ['reading.stored'], timing: { firstRetryMs: 10, longestRetryMs: 20 } });
  onTestFinished(() => client.close());
  const announced: Stored[] = [];
  const wrong: string[] = [];
  client.on('reading.stored', (event) => announced.push(event));
  client.on('readings.missing', ({ from, to }) => wrong.push(`${from} to ${to} are missing`));
  client.on('store.changed', ({ seen, lastSeq }) => wrong.push(`${seen} were announced, ${lastSeq} are there`));

  let killed = 0;
  let next = daemonProcess(data);
  const kindOfKill = Array.from({ length: kills + killsAtStart }, (_, i) => ({ isAtStart: i < killsAtStart, order: random() })).sort((a, b) => a.order - b.order);
  for (const [round, { isAtStart }] of kindOfKill.entries()) {
    const daemon = next;
    const lastHello = client.hello;
    const running = daemon.start(settings);
    next = daemonProcess(data);
    if (isAtStart) {
      running.catch(() => {}); // killed before it could say so
      await pause(random() * LATEST_KILL_AT_START_MS);
    } else {
      await running;
      const planned = LEAST_BEFORE_KILL + Math.floor(random() * (MOST_BEFORE_KILL - LEAST_BEFORE_KILL));
      // What the killed one before had stored comes first; then the readings of this run.
      const ofThisRun = (): number => announced.length - 1 - announced.findLastIndex(({ reading }) => reading.startedAt < client.hello!.at);
      await waitUntil(() => client.hello !== lastHello && ofThisRun() >= planned, `${planned} readings of run ${round}`);
      await pause(random() * LATEST_KILL_MS);
      killed++;
    }
    await daemon.kill();
    expect(daemon.process.signalCode).toBe('SIGKILL');
    if (round % CHECK_EVERY === CHECK_EVERY - 1) await check(data, announced);
    expect(wrong).toEqual([]);
  }
  await next.kill();
  await waitUntil(() => !client.isConnected, 'the client to see the last end');
  return { announced: announced.length, kept: await check(data, announced), killed };
}

describe('a daemon that is killed', () => {
  it(`at ${KILLS} random moments keeps every reading it announced, without a hole, in a whole chain`, async () => {
    const stations = await Promise.all(Array.from({ length: STATIONS }, (_, i) => station(i + 1, KILLS / STATIONS, KILLS_AT_START / STATIONS)));
    expect(stations.reduce((sum, { killed }) => sum + killed, 0)).toBe(KILLS);
    // Killed in the middle of work: some readings were stored and had no time to be announced.
    for (const { announced, kept } of stations) expect(kept).toBeGreaterThanOrEqual(announced);
    for (const { announced } of stations) expect(announced).toBeGreaterThanOrEqual(LEAST_BEFORE_KILL * (KILLS / STATIONS));
  }, 1_200_000);
});
