import { describe, it } from 'vitest';
import { LineFramer } from '../../drivers/framing/line-framer.ts';
import { registerClauses } from './clause.ts';
import { framerClauses } from './framer-clauses.ts';

describe.each([['LF', '\n'], ['CR LF', '\r\n']])('the line framer with %s', (_, delimiter) => {
  registerClauses(framerClauses({
    create: () => new LineFramer({ delimiter: Buffer.from(delimiter), maxLineBytes: 64 }),
    encode: (n) => Buffer.from(`${(n * 1.0625 - 40).toFixed(4)},${n}${delimiter}`),
    resync: Buffer.from(delimiter),
  }), it);
});
