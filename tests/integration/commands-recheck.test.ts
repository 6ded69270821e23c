import { copyFileSync } from 'node:fs';
import { join } from 'node:path';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { CAPTURE_VERSION } from '../../daemon/capture/evidence.ts';
import { FIXTURE_READINGS } from '../fixtures/database-content.ts';
import { inProcess } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';

const OLD = fileURLToPath(new URL('../fixtures/databases/schema-1.db', import.meta.url));

describe('recheck of readings that another version of the capture mathematics made', () => {
  it('says so, derives nothing, and takes it for no difference', async () => {
    const data = tempFolder();
    copyFileSync(OLD, join(data, 'torsiond.db'));
    const json = await inProcess('recheck', '--all', '--data', data, '--json');
    expect(json).toMatchObject({ exitCode: 0, stderr: '' });
    const told = json.stdout.trimEnd().split('\n').map((line) => JSON.parse(line) as object);
    expect(told).toHaveLength(FIXTURE_READINGS);
    for (const one of told) expect(one).toMatchObject({ type: 'recheck', identical: null, captureVersion: 1, presentVersion: CAPTURE_VERSION });
    const text = await inProcess('recheck', '--all', '--data', data);
    expect(text.stdout).toMatch(new RegExp(`: 0 derived; ${FIXTURE_READINGS} made by another version of the capture mathematics, which is no difference\\n$`));
    const whatIf = await inProcess('recheck', '--all', '--mode', 'peak', '--data', data, '--json');
    expect(whatIf.stdout.split('\n')[0]).toContain('"identical":null');
  });
});
