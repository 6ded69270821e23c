import assert from 'node:assert/strict';
import { describe, expect, it } from 'vitest';
import { formatReport, runClauses, type Clause } from '../../../../drivers/conformance/index.ts';

const kept: Clause = { id: 'T1', text: 'is kept', check: async () => {} };
const broken: Clause = { id: 'T2', text: 'is not', check: async () => Promise.reject(new Error('seen: 3')) };

describe('the report of clauses', () => {
  it('tells each clause by its number, and what was seen where one is broken', async () => {
    const report = await runClauses('a part', [kept, broken]);
    expect(report).toMatchObject({ isConforming: false, clauses: [{ id: 'T1', result: 'kept', detail: null }, { id: 'T2', result: 'broken', detail: 'seen: 3' }] });
    expect(formatReport(report)).toMatch(/^a part: breaks promises\nkept +T1 +is kept\nbroken +T2 +is not\n +seen: 3$/);
  });

  it('keeps what was seen together, below its clause', async () => {
    const compared: Clause = { id: 'T3', text: 'compares', check: async () => assert.equal(3, 1, 'expected one, got three') };
    const listed: Clause = { id: 'T4', text: 'lists', check: async () => Promise.reject(new Error('seen:\n\n3')) };
    expect(formatReport(await runClauses('a part', [compared, listed])).split('\n').slice(1)).toEqual([
      'broken     T3   compares', '                expected one, got three', 'broken     T4   lists', '                seen:', '                3',
    ]);
  });

  it('lets a known gap pass with its reason', async () => {
    expect(await runClauses('a part', [kept, broken], { T2: 'the device cannot' })).toMatchObject({ isConforming: true, clauses: [{}, { result: 'known-gap', detail: 'the device cannot' }] });
  });

  it('takes a known gap that is kept for an error', async () => {
    expect(await runClauses('a part', [kept], { T1: 'long ago' })).toMatchObject({ isConforming: false, clauses: [{ result: 'broken', detail: expect.stringContaining('long ago') as string }] });
  });

  it('refuses a gap that names no clause or has no reason', async () => {
    await expect(runClauses('a part', [kept], { T9: 'why' })).rejects.toThrow(/T9: no such clause/);
    await expect(runClauses('a part', [kept], { T1: ' ' })).rejects.toThrow(/T1: it needs a reason/);
  });
});
