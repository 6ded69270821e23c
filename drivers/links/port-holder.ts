/** Who has a port open. Linux only; elsewhere, and where /proc says nothing, the answer is empty. */
import { readFile, readdir, readlink, stat } from 'node:fs/promises';
import { basename } from 'node:path';

export interface PortHolder {
  readonly pid: number;
  /** Name of the program, or '' when it may not be read. */
  readonly name: string;
}

/**
 * Processes that hold an exclusive lock on the port, as every program that opens ports politely does. The table of
 * locks is readable by everybody, unlike the descriptors of other users' processes. It names files by number only, and
 * a pseudo terminal gets the number of one that is gone but still held open; so where descriptors can be seen, they
 * decide.
 */
export async function findLockHolders(node: string): Promise<readonly PortHolder[]> {
  try {
    const [table, facts] = await Promise.all([readFile('/proc/locks', 'utf8'), stat(node)]);
    // A device number in the table is major:minor in hex; the number of `stat` packs them as glibc does.
    const major = ((facts.dev >>> 8) & 0xfff).toString(16).padStart(2, '0');
    const minor = ((facts.dev & 0xff) | ((facts.dev >>> 12) & 0xfff00)).toString(16).padStart(2, '0');
    const inode = `${major}:${minor}:${facts.ino}`;
    const pids = table.split('\n').map((line) => line.trim().split(/\s+/))
      .filter((words) => words[1] === 'FLOCK' && words[5] === inode)
      .map((words) => Number(words[4]))
      .filter((pid) => pid > 0);
    const holding = await Promise.all([...new Set(pids)].map(async (pid) => ((await hasOpen(pid, node)) === false ? null : pid)));
    return await Promise.all(holding.filter((pid) => pid !== null).map(named));
  } catch {
    return [];
  }
}

/** Processes with the port open, as far as this process may look. */
export async function findPortHolders(node: string): Promise<readonly PortHolder[]> {
  const locked = await findLockHolders(node);
  if (locked.length > 0) return locked;
  try {
    const pids = (await readdir('/proc')).filter((entry) => /^\d+$/.test(entry)).map(Number);
    const open = await Promise.all(pids.map(async (pid) => ((await hasOpen(pid, node)) ? pid : null)));
    return await Promise.all(open.filter((pid) => pid !== null).map(named));
  } catch {
    return [];
  }
}

/** Null when it cannot be seen: the process is another user's, or has ended. A file that is gone has another name here. */
async function hasOpen(pid: number, node: string): Promise<boolean | null> {
  try {
    const folder = `/proc/${pid}/fd`;
    const targets = await Promise.all((await readdir(folder)).map((fd) => readlink(`${folder}/${fd}`).catch(() => '')));
    return targets.includes(node);
  } catch {
    return null;
  }
}

/** The file that runs, else what its first thread calls itself: every program on Node calls that MainThread. */
async function named(pid: number): Promise<PortHolder> {
  const program = await readlink(`/proc/${pid}/exe`).then((path) => basename(path.replace(/ \(deleted\)$/, '')), () => '');
  const name = program === '' ? await readFile(`/proc/${pid}/comm`, 'utf8').catch(() => '') : program;
  return { pid, name: name.trim() };
}
