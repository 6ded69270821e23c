/**
 * The optional packages themselves, as far as this machine goes: loading and listing them in a process of their own, which
 * they must not end. Opening real devices is not shown by any test.
 */
import { spawnSync } from 'node:child_process';
import { existsSync } from 'node:fs';
import { describe, expect, it } from 'vitest';

const ROOT = new URL('../../', import.meta.url).pathname;

function inOwnProcess(script: string): unknown {
  const { status, stdout, stderr } = spawnSync(process.execPath, ['--input-type=module', '-e', script], { cwd: ROOT, encoding: 'utf8', timeout: 120_000 });
  expect([status, stderr]).toEqual([0, '']);
  return JSON.parse(stdout);
}

const report = (source: string, list: string): string => `
  const told = await ${source}.then(async (source) => ({ devices: (await source.${list}()).length }), ({ code, message }) => ({ code, message }));
  await new Promise((resolve) => setTimeout(resolve, 200)); // whatever the package does beside
  console.log(JSON.stringify(told));
`;

describe('the package "usb"', () => {
  const script = `import { systemUsbSource } from './drivers/links/usb-module.ts';${report('systemUsbSource()', 'getDevices')}`;

  it.skipIf(!existsSync('/sys/bus/usb'))('lists the devices of this machine', () => {
    expect(inOwnProcess(script)).toEqual({ devices: expect.any(Number) as number });
  });

  it.skipIf(process.platform !== 'linux' || existsSync('/sys/bus/usb'))('is not loaded where the machine shows no bus, which it would not survive', () => {
    expect(inOwnProcess(script)).toEqual({ code: 'LINK_UNSUPPORTED', message: 'this machine shows no USB bus: /sys/bus/usb is missing' });
  });
});

describe('the package "node-hid"', () => {
  it('lists the devices of this machine, and refuses a path that is not there with words that are understood', ({ skip }) => {
    const script = `
      import { systemHidSource } from './drivers/links/hid-module.ts';
      import { usbOpenError } from './drivers/links/usb-errors.ts';
      const source = await systemHidSource().catch((error) => error.code);
      const refusal = typeof source === 'string' ? source : await source.open('/dev/hidraw-none').catch((error) => usbOpenError(error, 'the device cannot be opened', 'HID').code);
      console.log(JSON.stringify([typeof source === 'string' || Array.isArray(await source.devices()), refusal]));
    `;
    const told = inOwnProcess(script);
    if ((told as unknown[])[1] === 'LINK_UNSUPPORTED') skip('the package is not installed here, or libudev or libusb-1.0 is missing');
    expect(told).toEqual([true, 'LINK_NOT_FOUND']);
  });
});
