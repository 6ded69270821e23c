/**
 * Whether a port exists, looked up at a calm pace: one look at a time, never a second while one is under way. It sees
 * a port vanish, appear, be replaced by another one of the same name, and change owner or permissions.
 */
import { realpath, stat } from 'node:fs/promises';
import type { Clock } from '../../shared/clock.ts';

export interface PortEvent {
  readonly isPresent: boolean;
  /** The port is another one than at the look before, or its permissions changed. */
  readonly isChanged: boolean;
}

/** Text that names this very port, or null when there is none. */
export type LookForPort = () => Promise<string | null>;

export interface PortWatcherOptions {
  readonly clock: Clock;
  readonly look: LookForPort;
  /** Called after the first look and after each that differs from the one before. */
  readonly onEvent: (event: PortEvent) => void;
  readonly everyMs: number;
}

export interface PortWatcher {
  /** The next look, and those after it, at this pace. */
  setPace(everyMs: number): void;
  stop(): void;
  readonly looks: number;
}

/** A look that could not be made (an error other than "not there") changes nothing. */
export function watchPort(options: PortWatcherOptions): PortWatcher {
  const { clock, look, onEvent } = options;
  let everyMs = options.everyMs;
  let seen: string | null | undefined;
  let isStopped = false;
  let isLooking = false;
  let looks = 0;
  let cancel = (): void => {};

  const takeIn = (stamp: string | null): void => {
    if (stamp === seen) return;
    const before = seen;
    seen = stamp;
    onEvent({ isPresent: stamp !== null, isChanged: before !== undefined && before !== null && stamp !== null });
  };
  const run = async (): Promise<void> => {
    isLooking = true;
    looks += 1;
    try {
      const stamp = await look();
      if (!isStopped) takeIn(stamp);
    } catch {
      // Told by opening the port, with its code; here the last known answer stands.
    } finally {
      isLooking = false;
      if (!isStopped) plan();
    }
  };
  const plan = (): void => {
    cancel();
    cancel = clock.after(everyMs, () => void run());
  };
  void run();
  return {
    setPace: (ms) => {
      if (ms === everyMs) return;
      everyMs = ms;
      if (!isLooking && !isStopped) plan();
    },
    stop: () => {
      isStopped = true;
      cancel();
    },
    get looks() {
      return looks;
    },
  };
}

/**
 * Names the port that a path leads to now: device and inode numbers, owner, mode and change time, behind links such as
 * /dev/serial/by-id. Where ports are no files (Windows) it cannot tell and answers "unknown", which never changes.
 */
export async function serialPortStamp(path: string, platform: NodeJS.Platform = process.platform): Promise<string | null> {
  if (platform === 'win32') return 'unknown';
  try {
    const target = await realpath(path);
    const node = await stat(target);
    return [target, node.dev, node.rdev, node.ino, node.uid, node.gid, node.mode, node.ctimeMs].join(' ');
  } catch (thrown) {
    const code = (thrown as NodeJS.ErrnoException).code;
    if (code === 'ENOENT' || code === 'ENOTDIR' || code === 'ELOOP') return null;
    throw thrown;
  }
}
