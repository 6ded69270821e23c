import { describe, expect, it } from 'vitest';
import { createLog } from '../../../daemon/log.ts';

function lines(isTerminal: boolean, use: (log: ReturnType<typeof createLog>) => void): string[] {
  const written: string[] = [];
  use(createLog({ isTerminal, write: (line) => written.push(line) }));
  return written;
}

const SECRET = 'QIIO5rW2kfhSdjD4W-AR39r_av62MT16udIONs9jK94';

describe('the log', () => {
  it('is JSON lines where no person reads it', () => {
    const [line] = lines(false, (log) => log.warn({ instrument: 'bench-a', code: 'LINK_LOST' }, 'the link was lost'));
    expect(JSON.parse(line!)).toMatchObject({ level: 40, msg: 'the link was lost', instrument: 'bench-a', code: 'LINK_LOST', time: expect.any(String) as string });
  });

  it('is readable on a terminal', () => {
    const [line] = lines(true, (log) => log.warn({ instrument: 'bench-a', what: 'two words' }, 'the link was lost'));
    expect(line).toMatch(/^\d\d:\d\d:\d\d warn {2}the link was lost instrument=bench-a what="two words"$/);
  });

  it('never holds a token, wherever it stands', () => {
    const written = [false, true].flatMap((isTerminal) => lines(isTerminal, (log) => {
      log.info({ token: SECRET }, 'a');
      log.info({ headers: { authorization: `Bearer ${SECRET}` } }, 'b');
      log.info({ request: { headers: { 'sec-websocket-protocol': `torsiond.v1, torsiond.token.${SECRET}` } } }, 'c');
      log.info({ text: `torsiond.token.${SECRET}` }, `asked with Authorization: Bearer ${SECRET}`);
    }));
    expect(written).toHaveLength(8);
    expect(written.join('\n')).not.toContain(SECRET);
    expect(written.join('\n')).toContain('[secret]');
  });
});
