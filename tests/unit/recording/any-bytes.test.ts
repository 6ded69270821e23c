/** Whatever bytes a file holds: readings or a coded fault, never anything else. */
import { writeFileSync } from 'node:fs';
import { join } from 'node:path';
import fc from 'fast-check';
import { expect, it } from 'vitest';
import { readRecording } from '../../../daemon/recording/recording-reader.ts';
import { openInput } from '../../../daemon/recording/input-file.ts';
import { openTraceFile } from '../../../daemon/recording/trace-files.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { tempFolder } from '../../helpers/temp-folder.ts';

const csvish = fc.array(fc.oneof(
  fc.constantFrom(',', ';', '\t', '\n', '\r\n', '"', '""', '.', '-', 'e', 'NaN', 'Infinity', ' ', '\uFEFF', '\u0000', 'time_s', 'torque_Nm'),
  fc.double({ noNaN: true }).map(String), fc.integer({ min: 0, max: 99 }).map(String),
), { maxLength: 60 }).map((parts) => parts.join(''));

it('a trace of any text gives finite samples at increasing indices, or a fault of the INPUT_ area', async () => {
  const folder = tempFolder();
  await fc.assert(fc.asyncProperty(csvish, fc.boolean(), fc.constantFrom('csv' as const, 'ndjson' as const), async (text, hasHeader, kind) => {
    const path = join(folder, `a.${kind}`);
    writeFileSync(path, hasHeader ? `time_s,torque_Nm\n0,1\n0.001,2\n0.002,3\n${text}` : text);
    let next = 0;
    try {
      for await (const block of (await openTraceFile({ input: await openInput(path, kind), channel: 'trace/1', blockSize: 2 })).blocks) {
        expect(block.firstIndex).toBeGreaterThanOrEqual(next);
        expect(block.device.every(Number.isFinite)).toBe(true);
        expect(block.device.length).toBeGreaterThan(0);
        next = block.firstIndex + block.device.length;
      }
    } catch (thrown) {
      expect(thrown).toBeInstanceOf(TorsiondError);
      expect((thrown as TorsiondError).code).toMatch(/^INPUT_/);
    }
  }), { numRuns: 300 });
});

it('a recording of any bytes gives chunks, a cut, or a fault of the INPUT_ area', async () => {
  const folder = tempFolder();
  const magic = Uint8Array.from([0x89, 0x4d, 0x43, 0x41, 0x50, 0x30, 0x0d, 0x0a]);
  await fc.assert(fc.asyncProperty(fc.uint8Array({ maxLength: 200 }), fc.boolean(), async (bytes, hasMagic) => {
    const path = join(folder, 'a.mcap');
    writeFileSync(path, hasMagic ? Buffer.concat([magic, bytes]) : bytes);
    try {
      for await (const item of readRecording(path)) expect(['connection', 'chunk', 'cut']).toContain(item.kind);
    } catch (thrown) {
      expect(thrown).toBeInstanceOf(TorsiondError);
      expect((thrown as TorsiondError).code).toMatch(/^INPUT_/);
    }
  }), { numRuns: 300 });
});

it('settings of any text give settings or faults with a place in the text', () => {
  const checks = { findDriver: () => undefined, driverIds: () => [], driverFaults: [], checkCapture: () => [] };
  const yamlish = fc.array(fc.oneof(
    fc.constantFrom('instruments', 'server', 'port', 'station', ': ', ':', '- ', '\n', '\n  ', '{', '}', '[', ']', ', ', '&a ', '*a', '!!map ', '"', '#', '?', '|', '---\n', '\t', 'null', '<<'),
    fc.integer().map(String), fc.string({ maxLength: 4 }),
  ), { maxLength: 40 }).map((parts) => parts.join(''));
  fc.assert(fc.property(yamlish, (text) => {
    const { settings, faults } = parseSettings(text, checks);
    expect(settings === null).toBe(faults.length > 0);
    const lines = text.split('\n').length;
    for (const fault of faults) {
      expect(fault.line).toBeGreaterThanOrEqual(1);
      expect(fault.line).toBeLessThanOrEqual(lines);
      expect(fault.column).toBeGreaterThanOrEqual(1);
      expect(fault.message).not.toBe('');
    }
  }), { numRuns: 1_000 });
});
