/**
 * Regular expressions from settings, tried on every line that a device sends. A pattern such as `(\d+)*x` takes
 * exponential time on a line that nearly matches and would stop the gateway, so repeats within repeats are refused;
 * together with the limit on the length of a line that keeps the worst case small.
 */
import * as z from 'zod';

/** Unbounded repeats in a row multiply; with short lines so many are harmless. */
const REPEATS_MAX = 12;

/** What is wrong with the pattern, or null. */
export function patternFault(source: string): string | null {
  try {
    new RegExp(source, 'u');
  } catch (thrown) {
    return `is no regular expression: ${(thrown as Error).message}`;
  }
  return repeatFault(source);
}

function repeatFault(source: string): string | null {
  /** Per open group: whether it holds an unbounded repeat, or alternatives. */
  const groups: { repeats: boolean; alternates: boolean }[] = [{ repeats: false, alternates: false }];
  let repeats = 0;
  let closed: { repeats: boolean; alternates: boolean } | null = null;
  for (let i = 0; i < source.length; i++) {
    const rest = source.slice(i);
    const repeat = /^(?:[*+]|\{\d+(?:,\d*)?\})/.exec(rest)?.[0];
    if (repeat !== undefined) {
      const isUnbounded = /[*+]$|,\}$/.test(repeat);
      if (closed?.repeats) return 'repeats a group that itself repeats, which can take for ever; write the repeat once';
      if (closed?.alternates && isUnbounded) return 'repeats a group of alternatives, which can take for ever; use a character class such as [ab]';
      if (isUnbounded) {
        groups.at(-1)!.repeats = true;
        if (++repeats > REPEATS_MAX) return `has more than ${REPEATS_MAX} unbounded repeats`;
      }
      closed = null;
      i += repeat.length - 1;
      continue;
    }
    closed = null;
    if (source[i] === '\\') {
      i++;
    } else if (source[i] === '[') {
      i += classLength(rest) - 1;
    } else if (source[i] === '(') {
      groups.push({ repeats: false, alternates: false });
    } else if (source[i] === ')') {
      closed = groups.pop()!;
      const outer = groups.at(-1)!;
      outer.repeats ||= closed.repeats;
    } else if (source[i] === '|') {
      groups.at(-1)!.alternates = true;
    }
  }
  return null;
}

/** Length of the character class at the beginning, brackets included. */
function classLength(text: string): number {
  return /^\[(?:\\.|[^\\\]])*\]/s.exec(text)?.[0].length ?? text.length;
}

/** A pattern in the settings; matched with the flag `u`, anywhere in the line unless it is anchored. */
export const SafePattern = z.string().min(1).max(500).superRefine((source, context) => {
  const fault = patternFault(source);
  if (fault !== null) context.addIssue({ code: 'custom', message: `the pattern ${fault}` });
});

/** Names of the named groups. */
export function groupNames(source: string): readonly string[] {
  return [...source.matchAll(/\(\?<([A-Za-z_$][\w$]*)>/g)].map((match) => match[1]!);
}
