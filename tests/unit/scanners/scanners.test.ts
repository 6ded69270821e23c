/** A simulated scanner on a cable in memory: codes, switches, losses. */
import { describe, expect, it } from 'vitest';
import { createLog } from '../../../daemon/log.ts';
import { CODES_PER_SECOND_MAX, CodeLines } from '../../../daemon/scanners/code-lines.ts';
import { createScannerSet, type ScannerSet } from '../../../daemon/scanners/scanner-set.ts';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { ScannerSettings } from '../../../daemon/settings/schema.ts';
import { createMemoryLink, type MemoryFarEnd } from '../../../drivers/links/memory-link.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import { ScannerInfo } from '../../../shared/wire/events.ts';
import { breathe } from '../../helpers/instrument-bench.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { codeBlocks } from '../../helpers/markdown.ts';
import { readProjectFile } from '../../helpers/project-files.ts';

const scanner = (changes: Record<string, unknown> = {}): ScannerSettings => ScannerSettings.parse({ id: 'gun-a', link: { kind: 'serial', path: '/dev/made-up' }, ...changes });

/** `chunks`: ms after opening, and text. */
function codesOf(chunks: readonly (readonly [number, string])[], changes: Record<string, unknown> = {}): { readonly codes: string[]; readonly lines: CodeLines } {
  const codes: string[] = [];
  const lines = new CodeLines(scanner(changes), 0, (code) => codes.push(code));
  for (const [atMs, text] of chunks) lines.push({ data: new TextEncoder().encode(text), atMs });
  return { codes, lines };
}

describe('codes', () => {
  it.each([
    ['ended by a carriage return, a line feed behind it does no harm', [[500, 'HF-1\r\n'], [2_000, 'HF-2\r\n']], {}, ['HF-1', 'HF-2']],
    ['cut anywhere', [[500, 'HF'], [510, '-1'], [520, '\rH'], [530, 'F-2\r']], {}, ['HF-1', 'HF-2']],
    ['the end of one whose beginning was not heard is not taken', [[5, '-1\r'], [500, 'HF-2\r']], {}, ['HF-2']],
    ['prefix and suffix are taken off where they stand', [[500, '>A<\r'], [600, 'B\r']], { prefix: '>', suffix: '<' }, ['A', 'B']],
    ['another ending', [[500, 'A;B;']], { delimiter: ';' }, ['A', 'B']],
    ['letters beyond ASCII', [[500, 'Größe-4\r']], {}, ['Größe-4']],
    ['the same again soon counts once, later twice', [[500, 'A\r'], [900, 'A\r'], [1_800, 'A\r'], [2_900, 'A\r'], [2_950, 'B\r']], {}, ['A', 'A', 'B']],
    ['each counts when repeats may', [[500, 'A\rA\r']], { repeatMs: 0 }, ['A', 'A']],
  ] as [string, [number, string][], object, string[]][])('%s', (_, chunks, changes, expected) => {
    expect(codesOf(chunks, { ...changes }).codes).toEqual(expected);
  });

  it('too short, too long, or with control characters are refused and counted', () => {
    const { codes, lines } = codesOf([[500, 'A\r'], [510, `${'B'.repeat(11)}\r`], [520, 'C\x07C\r'], [530, `${'D'.repeat(5_000)}\r`], [540, 'EE\r']], { minLength: 2, maxLength: 10 });
    expect(codes).toEqual(['EE']);
    expect(lines.counters).toEqual({ codes: 1, repeats: 0, refused: 4 });
  });
});

it('codes keep the separators of their data fields (GS1 General Specifications, ISO/IEC 15434)', () => {
  const gs1 = '0109506000134352\u001d21HF-W60-0107';
  const fields = '[)>\u001e06\u001dSHF-W60-0107\u001e\u0004';
  expect(codesOf([[500, `${gs1}\r`], [900, `${fields}\r`]]).codes).toEqual([gs1, fields]);
});

describe('a flood of codes', () => {
  it('is taken as far as a serial port could bring it, and the rest counts as refused', () => {
    const flood = (from: number, count: number): string => Array.from({ length: count }, (_, i) => `C${from + i}\r\n`).join('');
    const { codes, lines } = codesOf([[500, flood(0, 600)], [900, flood(600, 600)], [1_400, flood(1_200, 50_000)], [1_600, flood(60_000, 2)]]);
    expect(codes).toHaveLength(CODES_PER_SECOND_MAX + 2);
    expect(codes.slice(-3)).toEqual(['C999', 'C60000', 'C60001']);
    expect(lines.counters.refused).toBe(200 + 50_000);
  });
});

describe('a line that may lack its beginning', () => {
  it('is counted as refused, an empty one and a line feed are not', () => {
    expect(codesOf([[5, '-1\r'], [500, 'HF-2\r']]).lines.counters).toEqual({ codes: 1, repeats: 0, refused: 1 });
    expect(codesOf([[5, '\n\r'], [500, 'HF-2\r']]).lines.counters).toEqual({ codes: 1, repeats: 0, refused: 0 });
    expect(codesOf([[500, 'HF-2\r']]).lines.counters).toEqual({ codes: 1, repeats: 0, refused: 0 });
  });
});

interface Bench { readonly clock: ManualClock; readonly set: ScannerSet; readonly heard: string[]; readonly log: string[]; readonly states: ScannerInfo[]; readonly far: MemoryFarEnd[]; pass(ms: number): Promise<void>; setPresent(isPresent: boolean): void }

function bench(changes: Record<string, unknown> = {}): Bench {
  const clock = new ManualClock();
  const far: MemoryFarEnd[] = [];
  const heard: string[] = [];
  const log: string[] = [];
  const states: ScannerInfo[] = [];
  let isPresent = true;
  const set = createScannerSet([scanner(changes)], {
    clock, log: createLog({ isTerminal: false, level: 'info', write: (line) => log.push(line) }),
    openLink: () => async () => {
      if (!isPresent) throw new TorsiondError('LINK_NOT_FOUND', 'nothing there', { where: '/dev/made-up' });
      const made = createMemoryLink(clock);
      far.push(made.far);
      return made.link;
    },
  });
  set.start({ code: (code, id) => heard.push(`${id} ${code}`), pressed: ({ command, channel }, id) => heard.push(`${id} ${command} ${channel}`), changed: (info) => states.push(ScannerInfo.parse(info)) });
  return { clock, set, heard, log, states, far, setPresent: (present) => void (isPresent = present), pass: async (ms) => {
    for (let passed = 0; passed < ms; passed += 100) {
      await breathe();
      clock.advance(100);
    }
    await breathe();
  } };
}

describe('a scanner', () => {
  it('tells codes, and the texts of switches as commands', async () => {
    const { far, heard, pass, set } = bench({ switches: [{ text: 'PEDAL', command: 'latch', channel: 'bench-a/1' }, { text: 'GO', command: 'arm', channel: 'bench-a/1' }] });
    await pass(300);
    far[0]!.deliver('HF-JOB-7\rPEDAL\rGO\r');
    expect(heard).toEqual(['gun-a HF-JOB-7', 'gun-a latch bench-a/1', 'gun-a arm bench-a/1']);
    await set.stop();
    expect(far[0]!.isOpen).toBe(false);
  });

  it('that is lost is opened again for ever, told once, and its counters go on', async () => {
    const { far, heard, pass, set, log, setPresent } = bench();
    await pass(300);
    far[0]!.deliver('A\r');
    setPresent(false);
    far[0]!.unplug();
    await pass(60_000);
    expect(set.counters().get('torsiond_scanner_connected{scanner="gun-a"}')).toBe(0);
    expect(log.filter((line) => line.includes('LINK_NOT_FOUND'))).toHaveLength(1);
    setPresent(true);
    await pass(6_000);
    far[1]!.deliver('B\r');
    expect(heard).toEqual(['gun-a A', 'gun-a B']);
    expect(set.counters().get('torsiond_scanner_codes_total{scanner="gun-a"}')).toBe(2);
    await set.stop();
  });

  it('tells each change of its state: opening, connected, lost and why, and again', async () => {
    const { far, pass, set, states, setPresent } = bench({ title: 'Hand scanner' });
    expect(states.map((info) => info.state)).toEqual(['opening']);
    await pass(300);
    expect(set.infos()).toMatchObject([{ id: 'gun-a', title: 'Hand scanner', state: 'connected', fault: null, link: '/dev/made-up' }]);
    setPresent(false);
    far[0]!.unplug();
    await pass(20_000);
    expect(set.infos()).toMatchObject([{ state: 'waiting', fault: { code: 'LINK_NOT_FOUND', hint: expect.stringContaining('Plug') as string } }]);
    setPresent(true);
    await pass(6_000);
    await set.stop();
    expect(states.map((info) => `${info.state} ${info.fault?.code ?? ''}`.trim())).toEqual(['opening', 'connected', 'waiting LINK_LOST', 'waiting LINK_NOT_FOUND', 'connected', 'stopped']);
    const since = states.map((info) => Date.parse(info.since));
    expect(since).toEqual([...since].sort((a, b) => a - b));
    expect(since[3]).toBe(since[2]);
  });

  it('that hangs up as soon as it is connected is tried ever less often, and soon again once it stayed', async () => {
    const { far, pass, set, log } = bench();
    for (let passed = 0; passed < 60_000; passed += 200) {
      await pass(200);
      if (far.at(-1)!.isOpen) far.at(-1)!.unplug();
    }
    expect(far.length).toBeLessThan(20);
    expect(log.length).toBeLessThan(40);
    await pass(12_000);
    const before = far.length;
    expect(far.at(-1)!.isOpen).toBe(true);
    far.at(-1)!.unplug();
    await pass(800);
    expect(far.length).toBe(before + 1);
    await set.stop();
  });

  it('that is switched off in the settings is told as such, opened never', async () => {
    const { far, pass, set, states } = bench({ enabled: false });
    await pass(2_000);
    expect(far).toEqual([]);
    expect(states).toEqual([]);
    expect(set.infos()).toMatchObject([{ id: 'gun-a', state: 'stopped', fault: null }]);
    expect(set.counters().size).toBe(0);
    await set.stop();
  });

  it('that is not there keeps nobody from stopping', async () => {
    const { pass, set, setPresent } = bench();
    setPresent(false);
    await pass(1_000);
    await set.stop();
  });
});

describe('the settings', () => {
  const example = codeBlocks(readProjectFile('daemon/scanners/README.md')).find((block) => block.text.includes('scanners:'))!.text;

  it('of the page are accepted', () => {
    expect(parseSettings(example, gatewayChecks).faults).toEqual([]);
  });

  it.each([
    ['channel: bench-a/1 }', 'channel: bench-a/2 }', 'scanners[0].switches[0].channel', 'known are bench-a/1'],
    ['id: gun-a', 'id: bench-a', 'scanners[0].id', 'each id is allowed once'],
    ['/dev/ttyS1', '/dev/ttyS0', 'scanners[0].link.path', 'a port has one owner'],
  ])('with %s as %s are refused', (from, to, path, message) => {
    expect(example).toContain(from);
    const [fault] = parseSettings(example.replace(from, to), gatewayChecks).faults;
    expect(fault).toMatchObject({ path });
    expect(fault!.message).toContain(message);
  });
});
