import { mkdirSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { pathToFileURL } from 'node:url';
import { describe, expect, it } from 'vitest';
import { checkExport } from '../../../daemon/outside-drivers/driver-shape.ts';
import type { ImportedModule } from '../../../daemon/outside-drivers/import-driver.ts';
import { loadOutsideDrivers } from '../../../daemon/outside-drivers/load-drivers.ts';
import { packageOf } from '../../../daemon/outside-drivers/package-of.ts';
import { checksFor } from '../../../daemon/settings/default-checks.ts';
import { DRIVER_API_VERSION, type DriverDefinition } from '../../../drivers/api.ts';
import { BUILT_IN_DRIVERS } from '../../../drivers/registry.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

const whole: DriverDefinition = { ...BUILT_IN_DRIVERS[0]!, id: 'hub-gear' };
const without = (key: string): unknown => Object.fromEntries(Object.entries(whole).filter(([name]) => name !== key));

describe('what a module exports', () => {
  it('is taken when it is a driver, or a list of them; every built-in driver has that shape', () => {
    expect(checkExport(whole)).toEqual({ definitions: [whole], faults: [] });
    expect(checkExport(BUILT_IN_DRIVERS)).toEqual({ definitions: [...BUILT_IN_DRIVERS], faults: [] });
  });

  it.each(['id', 'title', 'optionsSchema', 'capabilities', 'channelCount', 'createSession'])('is refused without %s, which is named', (key) => {
    const { definitions, faults } = checkExport(without(key));
    expect(definitions).toEqual([]);
    expect(faults).toEqual([expect.stringMatching(new RegExp(`is not whole: ${key} is missing; `))]);
  });

  it.each([
    [0, 'was written for version 0 of the driver interface, and this gateway has 1; install a version of the driver written for 1, or a torsiond that has 0'],
    [2, 'was written for version 2 of the driver interface, and this gateway has 1; install a version of the driver written for 1, or a torsiond that has 2'],
    ['1', 'does not say in apiVersion for which version of the driver interface it was written; this gateway has 1'],
    [undefined, 'does not say in apiVersion for which version of the driver interface it was written; this gateway has 1'],
  ])('of version %s is refused before anything else is looked at', (apiVersion, what) => {
    expect(DRIVER_API_VERSION).toBe(1);
    expect(checkExport({ id: 'hub-gear', apiVersion }).faults).toEqual([`the driver "hub-gear" ${what}`]);
  });

  it('that leaves the delivery to its options says what they mean', () => {
    const { delivery: _, ...rest } = whole;
    const either = { ...rest, capabilities: { ...whole.capabilities, delivery: 'either' } };
    expect(checkExport(either).faults).toEqual([expect.stringContaining('delivery is missing; a function is needed')]);
    expect(checkExport({ ...either, delivery: () => 'pushed' }).faults).toEqual([]);
  });

  it.each(['Hub', 'hub_gear', 'hub gear', '-hub', 'hub-', 'hub--gear', '8-speed', ''])('may not have the id "%s"', (id) => {
    expect(checkExport({ ...whole, id }).faults).toEqual([expect.stringContaining('id is')]);
  });
});

describe('a definition that throws when it is looked at', () => {
  it('is refused, and the ones beside it are taken', () => {
    const throwing = new Proxy({}, { get: () => { throw new Error('worn out'); } });
    expect(checkExport(throwing)).toEqual({ definitions: [], faults: ['its default export throws when it is looked at: worn out'] });
    expect(checkExport([throwing, whole])).toEqual({ definitions: [whole], faults: ['number 1 of its default export throws when it is looked at: worn out'] });
  });
});

describe('the drivers of a list', () => {
  const found = (exported: unknown): ImportedModule => ({ kind: 'imported', url: 'file:///nowhere/driver.mjs', exports: { default: exported } });

  it('that do not come within ten seconds are told, and the next ones are looked at', async () => {
    const clock = new ManualClock();
    const asked: string[] = [];
    const loading = loadOutsideDrivers(['slow', 'hub'], '/nowhere/torsiond.yaml', clock, (name) => {
      asked.push(name);
      return name === 'slow' ? new Promise(() => {}) : Promise.resolve(found(whole));
    });
    clock.advance(9_999);
    await Promise.resolve();
    expect(asked).toEqual(['slow']);
    clock.advance(1);
    const { drivers, faults } = await loading;
    expect(faults).toEqual([{ index: 0, message: '"slow" was not loaded after 10 s; something in it waits' }]);
    expect(drivers).toEqual([{ definition: whole, origin: 'hub', file: '/nowhere/driver.mjs' }]);
    expect(clock.pendingTimers).toBe(0);
  });

  it('that throw anything at all are told in one line', async () => {
    const thrown: readonly unknown[] = [new Error('one\ntwo'), 'a text.', null, undefined, new Error('')];
    const { faults } = await loadOutsideDrivers(thrown.map((_, i) => `hub-${i}`), '/nowhere/torsiond.yaml', new ManualClock(), async (name) => ({ kind: 'broken', url: 'file:///nowhere/driver.mjs', thrown: thrown[Number(name.slice(4))] }));
    expect(faults.map(({ message }) => message.replace(/ \(.*$/, ''))).toEqual([
      '"hub-0" does not load: one', '"hub-1" does not load: a text', '"hub-2" does not load: null', '"hub-3" does not load: undefined', '"hub-4" does not load: no reason given',
    ]);
  });

  it('are told the file and line in which they cannot be read', async () => {
    const folder = tempFolder();
    writeFileSync(join(folder, 'torn.mjs'), "import { z } from 'torsiond/driver';\nthrow new Error(String(z));\nexport default { title 'x' };\n");
    writeFileSync(join(folder, 'typed.ts'), 'export default {\n  id: };\n');
    writeFileSync(join(folder, 'outer.mjs'), "export { default } from './torn.mjs';\n");
    const thrown: Record<string, string> = { './torn.mjs': 'Unexpected string', './typed.ts': 'Expression expected', './outer.mjs': 'Unexpected string' };
    const { faults } = await loadOutsideDrivers(Object.keys(thrown), join(folder, 'torsiond.yaml'), new ManualClock(), async (name) => (
      { kind: 'broken', url: pathToFileURL(join(folder, name)).href, thrown: Object.assign(new SyntaxError(thrown[name]), { stack: `SyntaxError: ${thrown[name]}` }) }
    ));
    expect(faults.map(({ message }) => message)).toEqual([
      `"./torn.mjs" does not load: Unexpected string (${join(folder, 'torn.mjs')}:3)`,
      `"./typed.ts" does not load: Expression expected (${join(folder, 'typed.ts')}:2)`,
      '"./outer.mjs" does not load: Unexpected string (in a module that it imports)',
    ]);
  });

  it.each([
    ['~/hub.mjs', /^"~\/hub.mjs" begins with ~, which stands for nothing here; write the path from \/ or .\/$/],
    ['.', /^"." is a folder; the file of the driver in it is needed$/],
    ['hub-gear-none/driver', /; install it there: npm install hub-gear-none$/],
    ['@hollin-fenn/none/driver', /; install it there: npm install @hollin-fenn\/none$/],
    ['--global hub', / or above it$/],
  ])('that are not there are told what to do: %s', async (entry, message) => {
    const { faults } = await loadOutsideDrivers([entry], join(tempFolder(), 'torsiond.yaml'), new ManualClock());
    expect(faults).toHaveLength(1);
    expect(faults[0]!.message).toMatch(message);
  });

  it('are looked for only where a list can be read; what is wrong with the text is told by the check of the settings', async () => {
    for (const text of ['', 'station: x', 'drivers: 5', 'drivers: [', 'drivers:\n  - 7\n  - ""\n', 'a: &a [*a]\ndrivers: []', '- drivers']) {
      const checks = await checksFor(text, '/nowhere/torsiond.yaml');
      expect(checks).toMatchObject({ driverFaults: [], outsideDrivers: [] });
      expect(checks.driverIds()).toEqual(BUILT_IN_DRIVERS.map(({ id }) => id));
    }
  });
});

describe('the package of a module', () => {
  it('is the nearest one with a name, within node_modules', () => {
    const folder = tempFolder();
    const inner = join(folder, 'node_modules', 'hub-driver', 'dist');
    mkdirSync(inner, { recursive: true });
    writeFileSync(join(folder, 'package.json'), '{ "name": "app", "version": "0.0.1" }');
    const url = pathToFileURL(join(inner, 'driver.mjs')).href;
    expect(packageOf(url)).toBeNull();
    writeFileSync(join(inner, '..', 'package.json'), '{ "name": "hub-driver" }');
    writeFileSync(join(inner, 'package.json'), '{ "type": "module" }');
    expect(packageOf(url)).toEqual({ name: 'hub-driver', version: '' });
    writeFileSync(join(inner, '..', 'package.json'), 'not JSON');
    expect(packageOf(url)).toBeNull();
    expect(packageOf(pathToFileURL(join(folder, 'driver.mjs')).href)).toEqual({ name: 'app', version: '0.0.1' });
    expect(packageOf('data:text/javascript,1')).toBeNull();
  });
});
