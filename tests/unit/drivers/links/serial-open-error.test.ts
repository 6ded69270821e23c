import { chmodSync, chownSync, mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { describePortAccess } from '../../../../drivers/links/port-access.ts';
import { busyError, openErrorCode, serialOpenError } from '../../../../drivers/links/serial-open-error.ts';

describe('what the operating system says about a port', () => {
  // The texts are those that serialport 13 gave on Linux, and those its Windows part makes.
  it.each([
    ['Error: No such file or directory, cannot open /dev/ttyUSB7', 'LINK_NOT_FOUND'],
    ['Error: No such device or address, cannot open /dev/ttyUSB7', 'LINK_NOT_FOUND'],
    ['Error: No such device, cannot open /dev/ttyUSB7', 'LINK_NOT_FOUND'],
    ['Error: Input/output error setting custom baud rate of 115200', 'LINK_NOT_FOUND'],
    ['Opening COM9: File not found', 'LINK_NOT_FOUND'],
    ['Error: Permission denied, cannot open /dev/ttyUSB0', 'LINK_PERMISSION'],
    ['EACCES: permission denied, open', 'LINK_PERMISSION'],
    ['Error: Operation not permitted, cannot open /dev/ttyUSB0', 'LINK_PERMISSION'],
    ['Error Resource temporarily unavailable Cannot lock port', 'LINK_BUSY'],
    ['Error: Device or resource busy, cannot open /dev/ttyUSB0', 'LINK_BUSY'],
    ['Opening COM3: Access denied', 'LINK_BUSY'],
    ['Error: Inappropriate ioctl for device setting custom baud rate of 9600', 'LINK_NOT_A_PORT'],
    ['Error: Is a directory, cannot open /dev', 'LINK_NOT_A_PORT'],
    ['Error: Invalid argument setting custom baud rate of 12000000', 'LINK_OPEN_FAILED'],
    ['Error baud rate of 3 is not supported on your platform', 'LINK_OPEN_FAILED'],
    ['something nobody has seen before', 'LINK_OPEN_FAILED'],
  ])('%s: %s', (text, code) => {
    expect(openErrorCode(text)).toBe(code);
  });

  it('stays with the error as its cause', async () => {
    const cause = new Error('something nobody has seen before');
    const error = await serialOpenError('/dev/ttyUSB0', '/dev/ttyUSB0', cause);
    expect(error).toMatchObject({ code: 'LINK_OPEN_FAILED', where: '/dev/ttyUSB0', cause });
    expect(error.message).toContain('something nobody has seen before');
  });

  it('about the settings points at the settings', async () => {
    const error = await serialOpenError('p', 'p', new Error('Error: Invalid argument setting custom baud rate of 5'));
    expect(error.hint).toContain('baud rate');
  });
});

describe('a busy port', () => {
  it('names who holds it', () => {
    expect(busyError('/dev/ttyUSB0', [{ pid: 4711, name: 'terminal' }]).toLine()).toContain('terminal (process 4711)');
    expect(busyError('/dev/ttyUSB0', [{ pid: process.pid, name: 'node' }]).message).toContain('this very process');
    expect(busyError('/dev/ttyUSB0', []).message).toContain('cannot be seen');
  });
});

describe('a port without permission', () => {
  function withFile(mode: number, gid: number, then: (path: string, etc: string) => Promise<void>): Promise<void> {
    const folder = mkdtempSync(join(tmpdir(), 'torsiond-access-'));
    const path = join(folder, 'port');
    writeFileSync(path, '');
    writeFileSync(join(folder, 'passwd'), 'root:x:0:0::/:\nmira:x:1000:1000::/:\n');
    writeFileSync(join(folder, 'group'), `root:x:0:\ndialout:x:20:mira\nown:x:${process.getgid!()}:\n`);
    chmodSync(path, mode);
    if (process.getuid!() === 0) chownSync(path, 1000, gid);
    return then(path, folder).finally(() => rmSync(folder, { recursive: true }));
  }

  it('is described by owner, group, mode and the groups of the process', async () => {
    await withFile(0o660, 20, async (path, etc) => {
      const access = await describePortAccess(path, etc);
      expect(access.mode).toBe('-rw-rw----');
      if (process.getuid!() !== 0) return; // who owns the file can then not be chosen
      expect(access).toMatchObject({ owner: 'mira', group: 'dialout' });
      expect(access.remedy).toContain('usermod -aG dialout');
      expect(access.remedy).toContain('log in again');
    });
  });

  it('that its group may not open either asks for the udev rule', async () => {
    await withFile(0o600, 20, async (path, etc) => {
      expect((await describePortAccess(path, etc)).remedy).toContain('udev');
    });
  });

  it('says all that in the error', async () => {
    await withFile(0o600, 20, async (path) => {
      const error = await serialOpenError(path, path, new Error('Error: Permission denied, cannot open'));
      expect(error.code).toBe('LINK_PERMISSION');
      expect(error.message).toMatch(/-rw------- owner \S+ group \S+; this process is in /);
    });
  });
});
