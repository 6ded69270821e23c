import { describe, expect, it } from 'vitest';
import { asciiLines } from '../../../../../drivers/protocols/ascii-lines/driver.ts';
import { AsciiLinesOptions } from '../../../../../drivers/protocols/ascii-lines/options.ts';
import { patternFault } from '../../../../../drivers/values/safe-pattern.ts';

const faults = (options: unknown): string[] => {
  const parsed = AsciiLinesOptions.safeParse(options);
  return parsed.success ? [] : parsed.error.issues.map((issue) => `${issue.path.join('.')}: ${issue.message}`);
};

describe('the options', () => {
  it('may all be left out', () => {
    expect(faults({})).toEqual([]);
  });

  it.each([
    [{ colour: 'red' }, 'colour'],
    [{ decimal: 'comma', separator: ',' }, 'separator: '],
    [{ decimal: 'comma', channels: [{ column: 2 }] }, 'separator: '],
    [{ pattern: '(?<torque>x)' }, 'pattern: '],
    [{ pattern: '(' }, 'pattern: '],
    [{ channels: [{ column: 1 }, { column: 1 }] }, 'channels: '],
    [{ lineChannel: { names: ['A'] } }, 'lineChannel.column: '],
    [{ lineChannel: { column: 1, names: ['A', 'B'] } }, 'lineChannel.column: '],
    [{ lineChannel: { column: 2, names: ['A', 'A'] } }, 'lineChannel.names: '],
    [{ lineChannel: { names: ['A'] }, pattern: '(?<value>x)' }, 'pattern: '],
    [{ delimiter: '→' }, 'delimiter: '],
    [{ maxLineBytes: 1e9 }, 'maxLineBytes: '],
    [{ commands: { identify: { send: 'ID', answer: '(a+)+' } } }, 'commands.identify.answer: '],
  ])('are refused with their place: %j', (options, start) => {
    expect(faults(options).join('\n')).toContain(start);
  });

  it.each([
    [{}, 1],
    [{ channels: [{ column: 1 }, { column: 3 }] }, 2],
    [{ pattern: '^(?<value1>\\S+) (?<value2>\\S+) (?<value3>\\S+)' }, 3],
    [{ lineChannel: { names: ['A', 'B'] }, pattern: '(?<channel>.)(?<value>.*)' }, 2],
  ])('%j describe %i channels', (options, count) => {
    expect(asciiLines.channelCount(AsciiLinesOptions.parse(options))).toBe(count);
  });
});

describe('patterns', () => {
  it.each(['(a+)+', '(?:\\d*)*x', '(\\d+){2,}', '(\\d+){3}', '(a|b)*c', '((a+)b)*', '(?:(?:x)+y?)+', 'a*'.repeat(13), '[', '(?<value>'])('that can take for ever, or are none, are refused: %s', (source) => {
    expect(patternFault(source)).not.toBeNull();
  });
  it.each(['^\\s*(?<value>[-+]?\\d+(?:\\.\\d+)?)\\s*(?<unit>\\S+)?$', '(?:ab){3}', '[(+*]+x', '\\(a+\\)+', '(?:a|b)?c', '(?:a|b){2}', '^#'])('of the usual kind are taken: %s', (source) => {
    expect(patternFault(source)).toBeNull();
  });
});
