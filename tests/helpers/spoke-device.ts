/** A device of the invented protocol of `fixtures/third-party-driver`, on TCP: rests, and pulls when it is told to. */
import { createServer, type AddressInfo, type Socket } from 'node:net';
import { onTestFinished } from 'vitest';

export interface SpokeDevice {
  readonly port: number;
  /** One cycle when those before are over: half a second up to the peak, N.m, and down again, between two of rest. */
  pull(peak: number): void;
  /** A line at rest whose check is false, when the cycles before are over. */
  spoil(): void;
}

const RATE_HZ = 100;
const TICK_MS = 10;

export function spokeLine(counter: number, torque: number): string {
  const text = `${String(counter % 100).padStart(2, '0')};${torque < 0 ? '-' : '+'}${Math.abs(torque).toFixed(4)};`;
  const check = [...text].reduce((sum, character) => sum ^ character.charCodeAt(0), 0);
  return `${text}${check.toString(16).toUpperCase().padStart(2, '0')}\n`;
}

/** 100 lines a second, to whoever connected last; what is asked of it waits for somebody who listens. It ends with the test. */
export async function spokeDevice(): Promise<SpokeDevice> {
  let client: Socket | null = null;
  /** Torques to come; null: a spoilt line. */
  const queue: (number | null)[] = [];
  const server = createServer((socket) => {
    client = socket;
    socket.on('error', () => {});
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const begunMs = performance.now();
  let sent = 0;
  const timer = setInterval(() => {
    // A timer that is late must not make the rate another one.
    const due = Math.floor(((performance.now() - begunMs) * RATE_HZ) / 1_000);
    let text = '';
    for (; sent < due; sent++) {
      const torque = client === null || queue.length === 0 ? 0 : queue.shift()!;
      text += torque === null ? spokeLine(sent, 0).replace('+', '-') : spokeLine(sent, torque);
    }
    client?.write(text);
  }, TICK_MS);
  onTestFinished(() => {
    clearInterval(timer);
    client?.destroy();
    server.close();
  });
  return {
    port: (server.address() as AddressInfo).port,
    pull: (peak) => {
      for (let i = 0; i < 50; i++) queue.push(0);
      for (let i = 1; i < 50; i++) queue.push(peak * Math.sin((Math.PI * i) / 50));
      for (let i = 0; i < 50; i++) queue.push(0);
    },
    spoil: () => void queue.push(null),
  };
}

/** Settings with one channel, `bench-s/1`, read by the driver `spoke`. */
export function spokeSettings(port: number, drivers: readonly string[]): string {
  return `station: Hollin & Fenn, spoke bench
server: { port: 0 }
drivers:
${drivers.map((entry) => `  - ${JSON.stringify(entry)}\n`).join('')}instruments:
  - id: bench-s
    link: { kind: tcp, host: 127.0.0.1, port: ${port} }
    driver: { id: spoke }
    channels:
      - sampleRateHz: 100
        transducer: { serialNumber: HF-T-0033, capacity: 60 }
        capture: { mode: peak, limits: { kind: absolute, target: 30, low: 28, high: 32 } }
`;
}
