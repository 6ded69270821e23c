/** Drivers that the settings file lists, in real processes: their modules go through the loader of Node itself. */
import { copyFileSync, existsSync, mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { openTokenStore } from '../../daemon/server/tokens.ts';
import { Reading } from '../../shared/reading.ts';
import { codeBlocks } from '../helpers/markdown.ts';
import { readProjectFile } from '../helpers/project-files.ts';
import { startTorsiond, torsiond, type RunningCommand } from '../helpers/run-torsiond.ts';
import { spokeDevice, spokeSettings } from '../helpers/spoke-device.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const DRIVER = fileURLToPath(new URL('../fixtures/third-party-driver/driver.mjs', import.meta.url));

const GUIDE = 'drivers/conformance/README.md';

const objects = (text: string): Record<string, unknown>[] => text.split('\n').filter((line) => line.startsWith('{')).map((line) => JSON.parse(line) as Record<string, unknown>);

/** A package with the example driver, as npm puts it there; beside it another torsiond, which must not be used. */
function packageFolder(): string {
  const folder = tempFolder();
  const installed = join(folder, 'node_modules', 'spoke-driver');
  mkdirSync(join(installed, 'lib'), { recursive: true });
  copyFileSync(DRIVER, join(installed, 'lib', 'driver.mjs'));
  writeFileSync(join(installed, 'lib', 'package.json'), '{ "type": "module" }');
  writeFileSync(join(installed, 'package.json'), '{ "name": "spoke-driver", "version": "1.2.0", "exports": { "import": "./lib/driver.mjs" } }');
  const other = join(folder, 'node_modules', 'torsiond');
  mkdirSync(other);
  writeFileSync(join(other, 'package.json'), '{ "name": "torsiond", "version": "9.9.9", "exports": { "./driver": "./driver.mjs" } }');
  writeFileSync(join(other, 'driver.mjs'), "throw new Error('this is another torsiond');\n");
  return folder;
}

async function pageOf(command: RunningCommand): Promise<string> {
  await waitUntil(() => command.stdout().includes('http') || command.process.exitCode !== null, 'the address of the page');
  const url = /http:\/\/127\.0\.0\.1:\d+/.exec(command.stdout())?.[0];
  if (url === undefined) throw new Error(`it ended: ${command.stderr()}`);
  return url;
}

const storedIn = async (data: string): Promise<readonly Reading[]> => objects((await torsiond('export', '--format', 'ndjson', '--data', data)).stdout).map((object) => Reading.parse(object));

async function streaming(url: string, instrument: string, data: string): Promise<void> {
  const { token } = openTokenStore(data).create('read', 'test');
  await waitUntil(async () => {
    const answer = await fetch(`${url}/api/v1/instruments`, { headers: { authorization: `Bearer ${token}` } });
    const { instruments } = await answer.json() as { instruments: { id: string; state: string }[] };
    return instruments.find(({ id }) => id === instrument)?.state === 'streaming';
  }, `${instrument} to stream`, 20_000);
}

const essence = ({ value, maximum, unit, direction, verdict, sampleRateHz }: Reading): object => ({ value, maximum, unit, direction, verdict, sampleRateHz });

describe('a driver from outside', () => {
  it('as a package reads its device: readings are stored, and a replay of their recording gives the same', async () => {
    const folder = packageFolder();
    const device = await spokeDevice();
    const config = join(folder, 'torsiond.yaml');
    writeFileSync(config, spokeSettings(device.port, ['spoke-driver']));
    const [settings] = codeBlocks(readProjectFile(GUIDE)).filter(({ language }) => language === 'yaml');
    const guided = join(folder, 'guide.yaml');
    writeFileSync(guided, settings!.text);
    expect(await torsiond('check-config', guided)).toMatchObject({ exitCode: 0, stderr: '' });
    const fine = await torsiond('check-config', config);
    expect(fine).toMatchObject({ exitCode: 0, stderr: '', stdout: expect.stringMatching(/fine; .*1 channel; driver spoke from spoke-driver 1\.2\.0\n$/) as string });

    const data = tempFolder();
    const gateway = startTorsiond(['start', '--config', config, '--data', data]);
    const url = await pageOf(gateway);
    const log = objects(gateway.stderr()).filter((line) => line.msg === 'driver from outside');
    expect(log).toMatchObject([{ driver: 'spoke', from: 'spoke-driver 1.2.0', file: join(folder, 'node_modules/spoke-driver/lib/driver.mjs') }]);
    await streaming(url, 'bench-s', data);

    const out = join(folder, 'pulls.mcap');
    const recorder = startTorsiond(['record', '--data', data, '--channel', 'bench-s/1', '--out', out]);
    await waitUntil(() => recorder.process.exitCode !== null || (existsSync(out) && readFileSync(out).length > 3_000), 'the recording to grow');
    // The fault is one of this gateway's own class, or the driver would be taken for a broken one and connected anew.
    device.spoil();
    device.pull(30);
    device.pull(24.5);
    await waitUntil(async () => (await storedIn(data)).length >= 2, 'two stored readings');
    recorder.process.kill('SIGINT');
    expect((await recorder.finished).exitCode).toBe(0);
    gateway.process.kill('SIGINT');
    expect((await gateway.finished).exitCode).toBe(0);
    const live = await storedIn(data);
    expect(live.map(({ value, verdict, epoch }) => ({ value, verdict, epoch }))).toEqual([{ value: 30, verdict: 'within', epoch: 1 }, { value: 24.5, verdict: 'low', epoch: 1 }]);

    const replayed = await torsiond('replay', out, '--config', config, '--json');
    expect(replayed).toMatchObject({ exitCode: 0, stderr: '' });
    expect(objects(replayed.stdout).map((object) => essence(Reading.parse(object)))).toEqual(live.map(essence));

    // Without the list the driver is not there, and the error says where it came from and how to bring it.
    const bare = await torsiond('replay', out, '--json');
    expect(bare).toMatchObject({ exitCode: 78, stdout: '', stderr: expect.stringMatching(/^DRIVER_UNKNOWN the recording needs the driver "spoke", which came from spoke-driver 1\.2\.0; known are ascii-lines, .*Give --config with the settings file/) as string });
    const empty = join(folder, 'empty.yaml');
    writeFileSync(empty, 'station: Hollin & Fenn\n');
    expect((await torsiond('replay', out, '--config', empty)).stderr).toContain(`List its package or file under "drivers" in ${empty}.`);
    const diagnosed = await torsiond('diagnose', '--config', config, '--data', tempFolder());
    expect(diagnosed.stdout).toMatch(/\ndriver spoke from outside: spoke-driver 1\.2\.0 \(.*driver\.mjs\)\n/);
  });

  it('as a file beside the settings is recorded without a gateway, and reads beside the demonstration', async () => {
    const folder = tempFolder();
    const device = await spokeDevice();
    copyFileSync(DRIVER, join(folder, 'spoke#1.mjs'));
    const config = join(folder, 'torsiond.yaml');
    writeFileSync(config, spokeSettings(device.port, ['./spoke#1.mjs']));
    const out = join(folder, 'rest.mcap');
    const recorded = await torsiond('record', '--config', config, '--data', tempFolder(), '--channel', 'bench-s', '--out', out, '--seconds', '1');
    expect(recorded.exitCode).toBe(0);
    expect(await torsiond('replay', out, '--config', config, '--json')).toMatchObject({ exitCode: 0, stdout: '', stderr: '' });

    const data = tempFolder();
    const gateway = startTorsiond(['start', '--demo', '--config', config, '--data', data, '--log-level', 'info']);
    const url = await pageOf(gateway);
    await streaming(url, 'bench-s', data);
    await streaming(url, 'bench-a', data);
    expect(objects(gateway.stderr()).filter((line) => line.msg === 'driver from outside')).toMatchObject([{ driver: 'spoke', from: './spoke#1.mjs' }]);
    device.pull(30);
    await waitUntil(async () => (await storedIn(data)).some(({ channel, value }) => channel === 'bench-s/1' && value === 30), 'the reading');
    gateway.process.kill('SIGINT');
    expect((await gateway.finished).exitCode).toBe(0);
  });

  it('is shown in the guide as it stands in the example', () => {
    const shown = codeBlocks(readProjectFile(GUIDE)).filter(({ language }) => language === 'js');
    expect(shown.length).toBeGreaterThanOrEqual(2);
    const example = readFileSync(DRIVER, 'utf8');
    for (const { text } of shown) expect(example).toContain(text);
  });

  it('that ends the process while it is loaded does not pass for a good one', async () => {
    const folder = packageFolder();
    writeFileSync(join(folder, 'leaves.mjs'), 'process.exit(0);\n');
    writeFileSync(join(folder, 'torsiond.yaml'), 'drivers: [./leaves.mjs]\n');
    const file = join(folder, 'torsiond.yaml');
    expect(await torsiond('check-config', file)).toMatchObject({
      exitCode: 78, stdout: '', stderr: expect.stringContaining(`DRIVER_LOAD drivers[0]: "./leaves.mjs" ended the process while it was loaded (${file}).`) as string,
    });
  });

  it('that cannot be used is told at its place in the list, all at once and among the other faults', async () => {
    const folder = packageFolder();
    const put = (name: string, text: string): void => writeFileSync(join(folder, name), text);
    const whole = (id: string): string => `{ ...spoke, id: '${id}' }`;
    const module = (exported: string): string => `import spoke from './driver.mjs';\nexport default ${exported};\n`;
    copyFileSync(DRIVER, join(folder, 'driver.mjs'));
    mkdirSync(join(folder, 'folder'));
    put('throws.mjs', "\nthrow new Error('no licence found\\nsecond line');\n");
    put('syntax.mjs', 'export default {\n');
    put('nested.mjs', "import 'spoke-tables';\n");
    put('no-default.mjs', 'export const driver = 1;\n');
    put('number.mjs', 'export default 7;\n');
    put('none.mjs', 'export default [];\n');
    put('newer.mjs', module("{ apiVersion: 2, id: 'spoke-two' }"));
    put('unversioned.mjs', module("{ ...spoke, apiVersion: undefined }"));
    put('half.mjs', module("{ ...spoke, optionsSchema: {}, createSession: undefined, capabilities: { ...spoke.capabilities, delivery: 'pushd' } }"));
    put('capital.mjs', module(whole('Spoke_Two')));
    put('built-in.mjs', module(whole('scpi')));
    put('list.mjs', module(`[${whole('spoke-a')}, ${whole('spoke-b')}, null]`));
    put('common.cjs', "const { z } = require('torsiond/driver');\nmodule.exports = { apiVersion: 1, id: 'common', title: 'Common', optionsSchema: z.strictObject({}), capabilities: { delivery: 'pushed', identifies: false, commands: [] }, channelCount: () => { throw new Error('cannot count'); }, createSession: () => {} };\n");
    put('torsiond.yaml', `station: 5
drivers:
  - spoke-driver
  - ./missing.mjs
  - spoke-missing
  - driver.mjs
  - ./folder
  - ./throws.mjs
  - ./syntax.mjs
  - ./nested.mjs
  - ./no-default.mjs
  - ./number.mjs
  - ./none.mjs
  - ./newer.mjs
  - ./unversioned.mjs
  - ./half.mjs
  - ./capital.mjs
  - ./built-in.mjs
  - ./list.mjs
  - ./common.cjs
  - ./driver.mjs
  - https://hollin-fenn.invalid/driver.mjs
  - torsiond
instruments:
  - { id: a, link: { kind: tcp, host: h, port: 1 }, driver: { id: hub-gear }, channels: [{ transducer: { serialNumber: HF-T-1, capacity: 6 }, capture: { mode: peak } }] }
  - { id: b, link: { kind: tcp, host: h, port: 1 }, driver: { id: spok-b }, channels: [{ transducer: { serialNumber: HF-T-2, capacity: 6 }, capture: { mode: peak } }] }
  - { id: c, link: { kind: tcp, host: h, port: 1 }, driver: { id: common }, channels: [{ transducer: { serialNumber: HF-T-3, capacity: 6 }, capture: { mode: peak } }] }
  - { id: d, link: { kind: tcp, host: h, port: 1 }, driver: { id: spoke, options: { speed: 3 } }, channels: [{ transducer: { serialNumber: HF-T-4, capacity: 6 }, capture: { mode: peak } }] }
`);
    const { exitCode, stdout, stderr } = await torsiond('check-config', join(folder, 'torsiond.yaml'), '--json');
    expect(exitCode).toBe(78);
    expect(stderr).toMatch(/^SETTINGS_INVALID 26 faults /);
    const faults = objects(stdout).map(({ code, line, column, path, message }) => `${code as string} ${line as number}:${column as number} ${path as string}: ${message as string}`);
    const at = (line: number, what: string | RegExp): unknown => expect.stringMatching(new RegExp(`^DRIVER_LOAD ${line}:5 drivers\\[${line - 3}\\]: ${typeof what === 'string' ? what.replace(/[.()[\]/?]/g, '\\$&') : what.source}`)) as unknown;
    expect(faults).toEqual([
      expect.stringMatching(/^SETTINGS_INVALID 1:10 station: is 5; /),
      at(4, `there is no file ${folder}/missing.mjs`),
      at(5, `there is no package "spoke-missing" in node_modules of ${folder} or above it; install it there: npm install spoke-missing`),
      at(6, /there is no package "driver\.mjs" .*; did you mean ".\/driver\.mjs"\?$/),
      at(7, '"./folder" is a folder; the file of the driver in it is needed'),
      at(8, `"./throws.mjs" does not load: no licence found (${folder}/throws.mjs:2)`),
      at(9, `"./syntax.mjs" does not load: Unexpected end of input (${folder}/syntax.mjs:2)`),
      at(10, `"./nested.mjs" does not load: Cannot find package 'spoke-tables' imported from ${folder}/nested.mjs`),
      at(11, '"./no-default.mjs": has no default export; a driver made by defineDriver is needed there, or a list of them'),
      at(12, '"./number.mjs": its default export is 7; a driver made by defineDriver is needed there, or a list of them'),
      at(13, '"./none.mjs": has an empty list as its default export'),
      at(14, '"./newer.mjs": the driver "spoke-two" was written for version 2 of the driver interface, and this gateway has 1; install a version of the driver written for 1, or a torsiond that has 2'),
      at(15, '"./unversioned.mjs": the driver "spoke" does not say in apiVersion for which version'),
      at(16, '"./half.mjs": the driver "spoke" is not whole: optionsSchema a schema made with z of torsiond/driver is needed'),
      at(16, '"./half.mjs": the driver "spoke" is not whole: capabilities.delivery is "pushd"; did you mean "pushed"?'),
      at(16, '"./half.mjs": the driver "spoke" is not whole: createSession is missing; a function is needed'),
      at(17, '"./capital.mjs": the driver "Spoke_Two" is not whole: id is "Spoke_Two"; words of lower-case letters'),
      at(18, '"./built-in.mjs": the driver "scpi" has the id of a driver of torsiond itself; each id is allowed once'),
      at(19, '"./list.mjs": number 3 of its default export is empty; a driver made by defineDriver is needed there'),
      at(21, '"./driver.mjs": the driver "spoke" has the id of drivers[0]; each id is allowed once'),
      at(22, 'is "https://hollin-fenn.invalid/driver.mjs"; allowed is the name of a package, or a path'),
      at(23, /"torsiond" cannot be imported: No "exports" main defined in .*/),
      expect.stringMatching(/^DRIVER_UNKNOWN 25:\d+ instruments\[0\]\.driver\.id: there is no driver "hub-gear"; it may be one of those in "drivers" that cannot be used; known are ascii-lines, .*, spoke, spoke-a, spoke-b, common$/),
      expect.stringMatching(/^DRIVER_UNKNOWN 26:\d+ instruments\[1\]\.driver\.id: there is no driver "spok-b"; did you mean "spoke-b"\? /),
      expect.stringMatching(/^DRIVER_FAILED 27:\d+ instruments\[2\]\.driver\.id: the driver common fails while its options are checked: cannot count$/),
      expect.stringMatching(/^SETTINGS_INVALID 28:\d+ instruments\[3\]\.driver\.options\.speed: is not a setting here; /),
    ]);
    const refused = await torsiond('start', '--config', join(folder, 'torsiond.yaml'), '--data', join(folder, 'data'), '--port', '0');
    expect(refused).toMatchObject({ exitCode: 78, stdout: '', stderr: expect.stringMatching(/^SETTINGS_INVALID station: is 5; .*torsiond\.yaml:1:10\)/) as string });
  });
});
