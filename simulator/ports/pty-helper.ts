/**
 * The helper process behind a pseudo terminal: Node has no call that makes one. Python is preferred, because the
 * script below knows whether somebody has the port open and drops what nobody hears, as a UART does; socat serves
 * where there is no Python. Either ends by itself when its standard input ends, also when this process is killed.
 */
import { accessSync, constants } from 'node:fs';
import { delimiter, join } from 'node:path';

export type PtyProgram = { readonly kind: 'python3' | 'socat'; readonly path: string };

/** Standard input goes to the port, what comes from the port goes to standard output, events go to standard error. */
const PYTHON_SCRIPT = `
import errno, os, select, sys, termios, tty
link, remove_folder = sys.argv[1], sys.argv[2] == '1'
master, slave = os.openpty()
tty.setraw(slave)
name = os.ttyname(slave)
os.close(slave)  # from now on a hang-up on the master means: nobody has the port open
os.set_blocking(master, False)
os.symlink(name, link + '.new')
os.rename(link + '.new', link)

def say(*words):
    os.write(2, (' '.join(map(str, words)) + '\\n').encode())

def run():
    gone = select.POLLHUP | select.POLLERR | getattr(select, 'POLLRDHUP', 0)
    waiting = select.poll()
    waiting.register(master, 0)
    pending, is_open, unheard = b'', False, 0
    while True:
        if not is_open:
            quiet = select.poll()
            quiet.register(0, select.POLLIN)
            if quiet.poll(10):
                data = os.read(0, 65536)
                if not data:
                    return
                unheard += len(data)
            if waiting.poll(0):
                continue
            is_open = True
            say('open', unheard)
            unheard = 0
            continue
        watch = select.poll()
        watch.register(master, select.POLLIN | (select.POLLOUT if pending else 0))
        watch.register(0, getattr(select, 'POLLRDHUP', 0) if pending else select.POLLIN)
        for fd, events in watch.poll():
            if fd == 0:
                if not pending and events & select.POLLIN:
                    pending = os.read(0, 65536)
                    if not pending:
                        return
                elif events & gone:
                    return
            elif events & select.POLLIN:
                try:
                    data = os.read(master, 65536)
                except OSError as error:
                    if error.errno != errno.EIO:
                        raise
                    data = b''
                while data:
                    data = data[os.write(1, data):]
            elif events & select.POLLHUP:
                termios.tcflush(master, termios.TCIOFLUSH)
                unheard, pending, is_open = unheard + len(pending), b'', False
                say('shut')
        if pending and is_open:
            try:
                pending = pending[os.write(master, pending):]
            except BlockingIOError:
                select.select([], [], [], 0.0005)  # the poll above said "writable": do not ask it in a tight loop

say('ready', name)
try:
    run()
except (BrokenPipeError, KeyboardInterrupt):
    pass
finally:
    if os.path.islink(link) and os.readlink(link) == name:
        os.unlink(link)
        if remove_folder:
            try:
                os.rmdir(os.path.dirname(link))
            except OSError:
                pass
`;

function usualFolders(): string[] {
  return ['/usr/bin', '/usr/local/bin', ...(process.env['PATH'] ?? '').split(delimiter)].filter((folder) => folder.startsWith('/'));
}

/** Seen from here, null when neither program is there. `only` restricts the choice. */
export function findPtyProgram(only?: PtyProgram['kind'], folders: readonly string[] = usualFolders()): PtyProgram | null {
  if (process.platform === 'win32') return null;
  for (const kind of ['python3', 'socat'] as const) {
    if (only !== undefined && only !== kind) continue;
    for (const folder of folders) {
      const path = join(folder, kind);
      try {
        accessSync(path, constants.X_OK);
        return { kind, path };
      } catch { /* not in this folder */ }
    }
  }
  return null;
}

/**
 * socat blocks while its port is full and then does not see that its parent is gone. A shell beside it does: it reads
 * from descriptor 3, whose other end only the parent holds.
 */
const SOCAT_SCRIPT = `
exec 4<&0
"$1" -b 65536 "PTY,rawer,echo=0,link=$2" STDIO <&4 3<&- 4<&- &
program=$!
exec 4<&-
{ read -r _ <&3; rm -f "$2"; [ "$3" = 1 ] && rmdir "$(dirname "$2")"; kill -9 $program; } 2>/dev/null &
watcher=$!
wait $program
kill -9 $watcher
`;

/** A command that puts a raw pseudo terminal at `linkPath` between itself and its standard streams. */
export function ptyCommand(program: PtyProgram, linkPath: string, removeFolder: boolean): { path: string; arguments: string[] } {
  const folderFlag = removeFolder ? '1' : '0';
  return program.kind === 'python3'
    ? { path: program.path, arguments: ['-I', '-S', '-c', PYTHON_SCRIPT, linkPath, folderFlag] }
    : { path: '/bin/sh', arguments: ['-c', SOCAT_SCRIPT, 'sh', program.path, linkPath, folderFlag] };
}
