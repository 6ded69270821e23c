import fc from 'fast-check';
import { describe, expect, it } from 'vitest';
import { CODE_LENGTH_MAX, CODE_LENGTH_MIN, ENTER_GAP_MS, KEY_GAP_MS, KeyBurst, type KeyOutcome, type KeyPress } from '../../../daemon/page/key-burst.ts';

type Key = string | (Partial<KeyPress> & { readonly key: string; readonly gapMs?: number });

/** @param gapMs between keys that do not say theirs */
function press(burst: KeyBurst, keys: readonly Key[], gapMs: number, start = 1_000): KeyOutcome[] {
  let atMs = start;
  return keys.map((entry) => {
    const { gapMs: own, ...rest } = typeof entry === 'string' ? { key: entry } : entry;
    atMs += own ?? gapMs;
    return burst.press({ atMs, isRepeat: false, isComposing: false, isChord: false, isInText: false, ...rest });
  });
}

const typed = (keys: readonly Key[], gapMs = 10): KeyOutcome[] => press(new KeyBurst(), keys, gapMs);
const codes = (outcomes: readonly KeyOutcome[]): string[] => outcomes.flatMap((outcome) => (outcome.kind === 'code' ? [outcome.code] : []));
const withEnter = (text: string): Key[] => [...text, 'Enter'];
const isUntouched = (outcomes: readonly KeyOutcome[]): boolean => outcomes.every((outcome) => outcome.kind === 'key' && !outcome.isTaken);

describe('a scanner', () => {
  it('is known by its speed and the Enter at the end; everything behind its first key does nothing else', () => {
    const outcomes = typed(withEnter('HF-T-0042'));
    expect(codes(outcomes)).toEqual(['HF-T-0042']);
    expect(outcomes.map((outcome) => outcome.isTaken)).toEqual([false, ...new Array<boolean>(9).fill(true)]);
  });

  it('may send two codes one after the other, and the same again', () => {
    expect(codes(typed([...withEnter('HF-1'), ...withEnter('HF-2'), ...withEnter('HF-2')]))).toEqual(['HF-1', 'HF-2', 'HF-2']);
  });

  it('presses Shift for capitals and AltGr for signs, which are no characters of the code', () => {
    expect(codes(typed(['Shift', 'H', 'Shift', 'F', '-', 'AltGraph', { key: '@' }, '4', 'CapsLock', 'x', 'Enter']))).toEqual(['HF-@4x']);
  });

  it('may put characters before a code: they are part of it', () => {
    expect(codes(typed(withEnter(']C1HF-0042')))).toEqual([']C1HF-0042']);
    expect(codes(typed(withEnter('~HF-0042 ')))).toEqual(['~HF-0042']);
  });

  it('may put a key before a code that is no character, and be slow with Enter', () => {
    expect(codes(typed([{ key: 'F8' }, ...'HF-0042', { key: 'Enter', gapMs: ENTER_GAP_MS }]))).toEqual(['HF-0042']);
    expect(codes(typed([{ key: 'b', isChord: true }, ...withEnter('HF-0042')]))).toEqual(['HF-0042']);
  });

  it.each([
    ['a control character', { key: ']', isChord: true }], ['a dead key', 'Dead'], ['a function key', 'F8'], ['a tabulator', 'Tab'],
  ] as [string, Key][])('with %s in the middle is told, never guessed', (_, key) => {
    const outcomes = typed([...'HF-', key, ...'0042', 'Enter']);
    expect(codes(outcomes)).toEqual([]);
    expect(outcomes.at(-1)).toEqual({ kind: 'spoilt', isTaken: true });
    expect(outcomes.slice(1).every((outcome) => outcome.isTaken)).toBe(true);
  });

  it('with more characters than a code may have is told, and nothing of it is kept', () => {
    const burst = new KeyBurst();
    expect(codes(press(burst, withEnter('x'.repeat(CODE_LENGTH_MAX)), 10))).toEqual(['x'.repeat(CODE_LENGTH_MAX)]);
    expect(press(burst, withEnter('x'.repeat(CODE_LENGTH_MAX + 1)), 10, 100_000).at(-1)).toEqual({ kind: 'spoilt', isTaken: true });
  });

  it('that sends too little for a code is no code, and its Enter presses nothing all the same', () => {
    const outcomes = typed(withEnter('x'.repeat(CODE_LENGTH_MIN - 1)));
    expect(codes(outcomes)).toEqual([]);
    expect(outcomes.at(-1)).toEqual({ kind: 'key', isTaken: true });
    expect(codes(typed(withEnter('    ')))).toEqual([]);
  });

  it('is read whatever its code and its speed are, when they are within the bounds', () => {
    const character = fc.string({ minLength: 1, maxLength: 1, unit: 'grapheme-ascii' });
    fc.assert(fc.property(fc.array(fc.tuple(character, fc.integer({ min: 1, max: KEY_GAP_MS })), { minLength: CODE_LENGTH_MIN, maxLength: 60 }), fc.integer({ min: 0, max: ENTER_GAP_MS }), (keys, lastMs) => {
      const text = keys.map(([key]) => key).join('').trim();
      const found = codes(typed([...keys.map(([key, gapMs]) => ({ key, gapMs })), { key: 'Enter', gapMs: lastMs }]));
      expect(found).toEqual(text.length >= CODE_LENGTH_MIN ? [text] : []);
    }));
  });
});

describe('a person', () => {
  it('who types with any pause longer than a scanner\'s keeps every key', () => {
    const key = fc.constantFrom('a', 'T', ' ', '7', 'Enter', 'Tab', 'Shift', 'Escape');
    fc.assert(fc.property(fc.array(fc.record({ key, gapMs: fc.integer({ min: KEY_GAP_MS + 1, max: 2_000 }) }), { maxLength: 80 }), (keys) => {
      expect(isUntouched(typed(keys))).toBe(true);
    }));
  });

  it('who presses Enter or the space bar on a button is left alone, as is one who types three fast letters and goes on slowly', () => {
    expect(isUntouched(typed(['Enter', ' ', 'Enter'], 400))).toBe(true);
    const outcomes = typed([...'the', { key: 'Enter', gapMs: 150 }], 30);
    expect(outcomes.at(-1)).toEqual({ kind: 'key', isTaken: false });
    expect(codes(typed([...'torque is on', 'Enter'], 90))).toEqual([]);
  });

  it('who pauses within a code ends it', () => {
    expect(codes(typed([...'HF-0', { key: '0', gapMs: 300 }, '4', 'Enter']))).toEqual([]);
  });

  it('who holds a key down types no code, however fast it repeats', () => {
    const held = [{ key: 'x', isRepeat: false }, ...new Array<Key>(30).fill({ key: 'x', isRepeat: true })];
    expect(isUntouched(typed([...held, 'Enter'], 33))).toBe(true);
  });

  it('who writes with an input method keeps every key', () => {
    expect(isUntouched(typed([...'nihon'].map((key) => ({ key, isComposing: true })).concat([{ key: 'Enter', isComposing: true }])))).toBe(true);
    expect(isUntouched(typed([...new Array<Key>(6).fill('Process'), 'Enter']))).toBe(true);
  });

  it('or a scanner that types into a place for text is not listened to', () => {
    expect(isUntouched(typed(withEnter('HF-0042').map((key) => ({ key: key as string, isInText: true }))))).toBe(true);
  });

  it('whose keys come with times that go back confuses nothing', () => {
    expect(codes(typed([...'HF-0042', { key: 'Enter', gapMs: -5 }]))).toEqual([]);
  });
});
