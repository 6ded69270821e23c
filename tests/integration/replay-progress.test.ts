import { spawn } from 'node:child_process';
import { fileURLToPath } from 'node:url';
import { describe, expect, it } from 'vitest';
import { findPtyProgram } from '../../simulator/ports/pty-helper.ts';

const ENTRY = fileURLToPath(new URL('../../daemon/torsiond.mjs', import.meta.url));
/**
 * The command with its errors on a terminal, and its output too when asked, rows on its standard input until the
 * terminal has shown progress, and none after: nothing here waits for a time. Prints what stood on the terminal.
 */
const ON_TERMINAL = `
import os, pty, subprocess, sys, threading
out, args = sys.argv[1], sys.argv[2:]
ours, theirs = pty.openpty()
child = subprocess.Popen(args, stdin=subprocess.PIPE, stdout=theirs if out == 'terminal' else subprocess.DEVNULL, stderr=theirs)
os.close(theirs)
seen = b''
shown = threading.Event()
def feed():
    i = 0
    try:
        child.stdin.write(b'time_s,torque_Nm\\n')
        while not shown.is_set():
            child.stdin.write(b''.join(b'%d.%03d,0.01\\n' % (n // 1000, n % 1000) for n in range(i, i + 5000)))
            i += 5000
            shown.wait(0.01)
        child.stdin.close()
    except BrokenPipeError:
        pass
feeder = threading.Thread(target=feed)
feeder.start()
while True:
    try:
        data = os.read(ours, 65536)
    except OSError:
        break
    if not data:
        break
    seen += data
    if b'MB/s' in seen:
        shown.set()
shown.set()
feeder.join()
sys.stdout.buffer.write(seen)
sys.exit(child.wait())
`;

function onTerminal(out: 'terminal' | 'away'): Promise<{ exitCode: number | null; text: string }> {
  return new Promise((resolve, reject) => {
    const child = spawn('python3', ['-c', ON_TERMINAL, out, process.execPath, ENTRY, 'replay', '-', '--mode', 'peak', '--capacity', '60'], { stdio: ['ignore', 'pipe', 'inherit'] });
    let text = '';
    child.stdout.setEncoding('utf8').on('data', (part: string) => (text += part));
    child.once('error', reject).once('close', (exitCode) => resolve({ exitCode, text }));
  });
}

describe.skipIf(findPtyProgram('python3') === null)('progress of a replay from standard input', () => {
  it.each(['terminal', 'away'] as const)('is shown on a terminal as amount and rate, and taken away (output: %s)', async (out) => {
    const { exitCode, text } = await onTerminal(out);
    expect(exitCode).toBe(0);
    expect(text).toMatch(/\r- \d+\.\d MB, \d+\.\d MB\/s/);
    // Nothing of the bar stands behind the last time it was taken away.
    expect(text.slice(text.lastIndexOf('\r\u001b[K'))).not.toContain('MB');
    if (out === 'terminal') expect(text.slice(text.lastIndexOf('\r\u001b[K'))).toContain('0 readings');
  });
});
