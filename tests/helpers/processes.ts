/** Processes of this machine, as /proc shows them. */
import { readdirSync, readFileSync, readlinkSync } from 'node:fs';

/** Ids of a process's children. */
export function childrenOf(pid: number): number[] {
  return readdirSync('/proc').filter((name) => /^\d+$/.test(name)).map(Number).filter((other) => {
    try {
      return Number(readFileSync(`/proc/${other}/stat`, 'utf8').replace(/^.*\) /, '').split(' ')[1]) === pid;
    } catch {
      return false; // it ended meanwhile
    }
  });
}

export function isRunning(pid: number): boolean {
  try {
    return process.kill(pid, 0);
  } catch {
    return false;
  }
}

/** What the open files of a process lead to. */
export function openFilesOf(pid: number): string[] {
  return readdirSync(`/proc/${pid}/fd`).flatMap((name) => {
    try {
      return [readlinkSync(`/proc/${pid}/fd/${name}`)];
    } catch {
      return [];
    }
  });
}
