/** S11: drivers from outside are code. The settings file names them, and nothing that comes over the network or the command line does. */
import { existsSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import { afterEach, expect, it } from 'vitest';
import { COMMAND_SCOPES } from '../../shared/wire/commands.ts';
import { inProcess } from '../helpers/run-torsiond.ts';
import { runServer, type ServerUnderTest } from '../helpers/run-server.ts';
import { tempFolder } from '../helpers/temp-folder.ts';

let run: ServerUnderTest | null = null;
afterEach(async () => {
  await run?.stop();
  run = null;
});

/** A module that leaves a mark when anybody loads it. */
function marking(): { readonly file: string; readonly isLoaded: () => boolean } {
  const folder = tempFolder();
  const file = join(folder, 'driver.mjs');
  writeFileSync(file, `import { writeFileSync } from 'node:fs';\nwriteFileSync(${JSON.stringify(join(folder, 'mark'))}, '');\nexport default 1;\n`);
  return { file, isLoaded: () => existsSync(join(folder, 'mark')) };
}

it('no message takes the name of a driver: each is refused as it stands, and nothing is loaded', async () => {
  const { file, isLoaded } = marking();
  run = await runServer();
  const client = await run.connect({ scope: 'configure' });
  for (const type of Object.keys(COMMAND_SCOPES)) {
    const message = { type, ...(/^(arm|hold|zero|latch|configure)$/.test(type) ? { channel: 'bench-a/1' } : {}), ...(type === 'scan' ? { code: 'HF-1' } : {}) };
    expect(await client.ask(message), type).not.toMatchObject({ code: 'MESSAGE_INVALID' });
    for (const more of [{ drivers: [file] }, { driver: file }, { settings: { drivers: [file] } }]) {
      expect(await client.ask({ ...message, ...more }), type).toMatchObject({ type: 'refused', code: 'MESSAGE_INVALID' });
    }
  }
  expect(isLoaded()).toBe(false);
});

it('no address takes one either', async () => {
  const { file, isLoaded } = marking();
  run = await runServer();
  const { port } = run.server;
  const headers = { authorization: `Bearer ${run.token('configure')}`, 'content-type': 'application/json' };
  for (const path of ['/api/v1/drivers', '/api/v1/settings', '/api/v1/instruments', '/api/v1/channels', '/api/v1/readings']) {
    for (const method of ['POST', 'PUT', 'PATCH']) {
      const answer = await fetch(`http://127.0.0.1:${port}${path}`, { method, headers, body: JSON.stringify({ drivers: [file], driver: file }) });
      expect(answer.status, `${method} ${path}`).toBeGreaterThanOrEqual(400);
    }
    await fetch(`http://127.0.0.1:${port}${path}?drivers=${encodeURIComponent(file)}`, { headers });
  }
  expect(isLoaded()).toBe(false);
});

it.each([
  ['start'], ['check-config', 'torsiond.yaml'], ['record', '--channel', 'a', '--out', 'a.mcap'], ['replay', 'a.mcap'], ['diagnose'], ['probe', '127.0.0.1:9'],
])('the command %s has no option for one', async (...args) => {
  const { file, isLoaded } = marking();
  for (const option of ['--driver', '--drivers']) {
    expect(await inProcess(...args, option, file)).toMatchObject({ exitCode: 64, stderr: expect.stringMatching(/^USAGE unknown option/) as string });
  }
  expect(isLoaded()).toBe(false);
});
