/**
 * Chromium whose own Web Serial reads a pseudo terminal. It lists only ports that the machine's device list knows, so the
 * terminal is put over /dev/ttyS0, in a mount namespace that only this browser sees; and a policy, in the same
 * namespace, grants the port to the page, because nobody can answer the browser's question in a test.
 */
import { execFileSync } from 'node:child_process';
import { chmodSync, existsSync, realpathSync, writeFileSync } from 'node:fs';
import { join } from 'node:path';
import type { Browser } from 'playwright-core';
import { build } from 'vite';
import { tempFolder } from '../temp-folder.ts';
import { startBrowser } from './browser.ts';

const NODE = '/dev/ttyS0';

/** Null when this machine allows it, else why not. */
export function whyNoSerialBrowser(): string | null {
  if (process.platform !== 'linux') return 'it is no Linux machine';
  if (process.getuid?.() !== 0) return 'it needs root for a mount namespace';
  if (!existsSync('/sys/class/tty/ttyS0') || !existsSync(NODE)) return `there is no ${NODE}`;
  if (!existsSync('/etc/chromium')) return 'there is no /etc/chromium for the policy';
  try {
    execFileSync('unshare', ['-m', 'sh', '-c', 'mount --make-rprivate / && mount -t tmpfs tmpfs /etc/chromium'], { stdio: 'pipe' });
    return null;
  } catch (thrown) {
    return `a private mount namespace is refused: ${(thrown as Error).message.split('\n').at(-1)}`;
  }
}

/** @param terminal path of the pseudo terminal @param origin of the page that may read it */
export async function startSerialBrowser(terminal: string, origin: string): Promise<Browser> {
  const script = join(tempFolder(), 'chromium-with-port');
  const policy = JSON.stringify({ SerialAllowAllPortsForUrls: [origin] });
  writeFileSync(script, `#!/bin/sh
exec unshare -m sh -c '
mount --make-rprivate / &&
mount --bind "${realpathSync(terminal)}" ${NODE} &&
mount -t tmpfs tmpfs /etc/chromium &&
mkdir -p /etc/chromium/policies/managed &&
printf "%s" "$0" > /etc/chromium/policies/managed/serial.json &&
exec /usr/bin/chromium "$@"' '${policy}' "$@"
`);
  chmodSync(script, 0o755);
  return startBrowser(script);
}

/** The simulated Web Serial port as a script for a page: `simulatedSerial` with what `torsiond/simulator` gives. */
export function simulatedSerialScript(): Promise<string> {
  return scriptOf('simulator/ports/web-serial-port.ts', 'simulatedSerial');
}

/** The simulated USB device likewise: `simulatedUsb`. */
export function simulatedUsbScript(): Promise<string> {
  return scriptOf('tests/helpers/page-harness/simulated-usb.ts', 'simulatedUsb');
}

async function scriptOf(entry: string, name: string): Promise<string> {
  const result = await build({
    configFile: false, logLevel: 'warn',
    build: { write: false, minify: false, lib: { entry, formats: ['iife'], name } },
  });
  const [output] = (Array.isArray(result) ? result : [result]) as { output: { type: string; code?: string }[] }[];
  return output!.output.find(({ type }) => type === 'chunk')!.code!;
}
