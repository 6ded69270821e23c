/** A simulated scanner and pedal on pseudo terminals, through the running gateway, to a client of its stream. */
import { expect, it, onTestFinished } from 'vitest';
import { startDaemon } from '../../daemon/app.ts';
import { scenarioSettingsInput } from '../../daemon/commands/scenario-settings.ts';
import { createLog } from '../../daemon/log.ts';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { Settings } from '../../daemon/settings/schema.ts';
import { connect, type ClientEvents } from '../../shared/client/index.ts';
import { ServerMessage } from '../../shared/wire/events.ts';
import { loadScenario, startScenario } from '../../simulator/index.ts';
import { seeded } from '../helpers/seeded.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

/** Set torque of the dial wrench of the scenario, N.m; one reading lies within some per cent of it. */
const DIAL_NM = 40;

it('codes become scan.seen, the pedal takes the track reading, and a scanner that is pulled out and put back is told', async () => {
  const scenario = await startScenario(loadScenario('scanners'));
  onTestFinished(() => scenario.stop());
  const [gun, pedal] = scenario.scanners;
  expect(gun!.address.kind).toBe('serial');
  const settings = Settings.parse({ ...scenarioSettingsInput(scenario), server: { port: 0 } });
  const data = tempFolder();
  const log = createLog({ isTerminal: false, level: 'error', write: () => {} });
  const daemon = await startDaemon({ settings, dataDirectory: data, log, random: seeded(1) });
  onTestFinished(() => daemon.close());

  const client = connect({ url: daemon.url, token: openTokenStore(data).create('read', 'test').token, since: 0, schema: ServerMessage });
  onTestFinished(() => client.close());
  const scans: ClientEvents['scan.seen'][] = [];
  const stored: ClientEvents['reading.stored'][] = [];
  const states = new Map<string, string[]>();
  client.on('scan.seen', (event) => scans.push(event));
  client.on('reading.stored', (event) => stored.push(event));
  client.on('scanner.state', ({ scanner }) => states.set(scanner.id, [...(states.get(scanner.id) ?? []), scanner.state]));
  const hello = await client.connected();
  expect(hello.scanners?.map((scanner) => scanner.id)).toEqual(['gun-a', 'pedal-a']);

  // By itself, as its scenario says.
  await waitUntil(() => scans.some((event) => event.source === 'scanner:gun-a' && event.code === 'HF-JOB-7'), 'the codes of the scenario');
  await waitUntil(() => stored.length > 0, 'a reading by the pedal');
  expect(stored[0]!.reading).toMatchObject({ channel: 'bench-a/1', mode: 'track' });
  // The pedal is pressed while the operator holds the torque.
  expect(Math.abs(stored[0]!.reading.value - DIAL_NM)).toBeLessThan(0.1 * DIAL_NM);
  expect(scans.filter((event) => event.code === 'PEDAL')).toEqual([]);
  expect(pedal!.counters().instrument.messages).toBeGreaterThan(0);

  await scenario.unplug('gun-a');
  await waitUntil(() => states.get('gun-a')?.at(-1) === 'waiting', 'the loss');
  await scenario.replug('gun-a');
  await waitUntil(() => states.get('gun-a')?.at(-1) === 'connected', 'the scanner to be back');
  // What comes within the first 100 ms of a connection may be cut, and is not taken: a person scans again, too.
  await waitUntil(() => {
    gun!.scan('HF-W-0099');
    return scans.some((event) => event.code === 'HF-W-0099');
  }, 'a code from the scanner that is back', 20_000);
});
