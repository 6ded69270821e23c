/** Against an independent implementation, modbus-serial: its server asked by our driver, its client answered by our frames. */
import net from 'node:net';
import { createRequire } from 'node:module';
import modbusSerial from 'modbus-serial';
import { afterEach, describe, expect, it } from 'vitest';
import type { DriverDefinition, DriverEvent, DriverSession } from '../../../../../drivers/api.ts';
import { openTcpLink } from '../../../../../drivers/links/tcp-link.ts';
import { mbapFrame, readRequest, rtuFrame, writeRequest } from '../../../../../drivers/protocols/modbus/codec.ts';
import { modbusRtu, modbusTcp } from '../../../../../drivers/protocols/modbus/driver.ts';
import { systemClock } from '../../../../../shared/clock.ts';
import { waitUntil } from '../../../../helpers/wait-until.ts';

const { default: ModbusRTU, ServerTCP } = modbusSerial;
// The library's own checksum has no types.
const crc16 = createRequire(import.meta.url)('modbus-serial/utils/crc16.js') as (bytes: Uint8Array) => number;

const ends: (() => Promise<void> | void)[] = [];
afterEach(async () => {
  for (const end of ends.splice(0).reverse()) await end();
});

async function listen(server: net.Server): Promise<number> {
  const sockets = new Set<net.Socket>();
  server.on('connection', (socket) => {
    sockets.add(socket);
    socket.on('error', () => {});
  });
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  ends.push(async () => {
    for (const socket of sockets) socket.destroy();
    await new Promise((resolve) => server.close(resolve));
  });
  return (server.address() as net.AddressInfo).port;
}

async function freePort(): Promise<number> {
  const server = net.createServer();
  await new Promise<void>((resolve) => server.listen(0, '127.0.0.1', resolve));
  const { port } = server.address() as net.AddressInfo;
  await new Promise((resolve) => server.close(resolve));
  return port;
}

const float = Buffer.alloc(4);
float.writeFloatBE(-12.5);
/** By unit and address; reading any other is an exception. */
const HOLDING: Record<string, number> = {
  '1:100': 1234, '1:101': 0xffff, '1:110': float.readUInt16BE(0), '1:111': float.readUInt16BE(2), '1:112': float.readUInt16BE(2), '1:113': float.readUInt16BE(0), '2:7': 40_000,
};

interface LibraryServer {
  readonly port: number;
  readonly writes: (readonly [unit: number, address: number, value: number])[];
}

async function libraryServer(): Promise<LibraryServer> {
  const port = await freePort();
  const writes: [number, number, number][] = [];
  const read = (address: number, unit: number): number => {
    const value = HOLDING[`${unit}:${address}`];
    if (value === undefined) throw Object.assign(new Error('no such register'), { modbusErrorCode: 2 });
    return value;
  };
  const server = new ServerTCP({
    getHoldingRegister: read,
    getInputRegister: (address: number) => address,
    setRegister: (address: number, value: number, unit: number) => void writes.push([unit, address, value]),
  }, { host: '127.0.0.1', port, unitID: 255 });
  server.on('error', () => {});
  await new Promise<void>((resolve) => server.once('initialized', resolve));
  ends.push(() => new Promise<void>((resolve) => server.close(() => resolve())));
  return { port, writes };
}

/** Serial frames on a TCP connection, answered by the library's server; checksums by the library too. */
async function rtuFront(port: number): Promise<number> {
  return listen(net.createServer((near) => {
    const far = net.connect(port, '127.0.0.1');
    far.on('error', () => {});
    near.on('close', () => far.destroy());
    near.on('data', (request) => {
      if (crc16(request.subarray(0, -2)) !== request.readUInt16LE(request.length - 2)) return;
      const adu = request.subarray(0, -2);
      far.write(Buffer.concat([Buffer.of(0, 1, 0, 0, 0, adu.length), adu]));
    });
    far.on('data', (answer) => {
      const adu = answer.subarray(6);
      const crc = Buffer.alloc(2);
      crc.writeUInt16LE(crc16(adu));
      near.write(Buffer.concat([adu, crc]));
    });
  }));
}

async function session<Options>(driver: DriverDefinition<Options>, options: unknown, port: number): Promise<{ session: DriverSession; events: DriverEvent[] }> {
  const signal = new AbortController().signal;
  const link = await openTcpLink({ host: '127.0.0.1', port }, { clock: systemClock, signal });
  const made = driver.createSession({ options: driver.optionsSchema.parse(options), link, clock: systemClock, signal });
  const events: DriverEvent[] = [];
  made.events$.subscribe((event) => events.push(event));
  ends.push(async () => {
    await made.stop();
    await link.close();
  });
  await made.start();
  return { session: made, events };
}

const OPTIONS = {
  poll: { asFastAsAnswered: true, timeoutMs: 10_000 },
  channels: [
    { address: 100, type: 'u16', scale: 0.01 }, { address: 101, type: 'i16' }, { address: 110, type: 'f32' }, { address: 112, type: 'f32', order: 'CDAB' },
    { address: 7, type: 'u16', unit: 2 }, { address: 3, type: 'i16', function: 4 },
  ],
  commands: { zero: { address: 200, values: [1] }, start: { function: 16, address: 300, values: [7, 8] } },
};
const EXPECTED = [12.34, -1, -12.5, -12.5, 40_000, 3];
const latest = (events: readonly DriverEvent[]): (number | undefined)[] => EXPECTED.map((_, channel) => events.findLast((event) => event.kind === 'values' && event.channel === channel)).map((event) => (event?.kind === 'values' ? event.values.at(-1) : undefined));

describe.each([
  { name: 'modbus-tcp', open: async (port: number) => session(modbusTcp, OPTIONS, port) },
  { name: 'modbus-rtu', open: async (port: number) => session(modbusRtu, OPTIONS, await rtuFront(port)) },
])('$name with the library\'s server', ({ open }) => {
  it('reads every type, several units and both functions, and writes', async () => {
    const server = await libraryServer();
    const { session: ours, events } = await open(server.port);
    await waitUntil(() => events.length >= 5 * EXPECTED.length, 'five rounds');
    expect(latest(events)).toEqual(EXPECTED);
    expect(events.filter((event) => event.kind === 'fault')).toEqual([]);
    await ours.command({ kind: 'zero' });
    expect(server.writes).toEqual([[1, 300, 7], [1, 301, 8], [1, 200, 1]]);
  });
});

it('an exception of the library\'s server is named', async () => {
  const server = await libraryServer();
  const { events } = await session(modbusTcp, { poll: { asFastAsAnswered: true, timeoutMs: 10_000 }, channels: [{ address: 100, type: 'u16' }, { address: 999, type: 'u16' }] }, server.port);
  await waitUntil(() => events.some((event) => event.kind === 'fault'), 'a fault');
  const fault = events.find((event) => event.kind === 'fault')!;
  expect(fault).toMatchObject({ channel: 1, missing: 1, error: { code: 'DEVICE_ERROR', message: 'holding registers 999 to 999 of unit 1: exception 2, illegal data address' } });
});

describe('the library\'s client', () => {
  const requests = [readRequest(17, 3, 0x6b, 3), readRequest(17, 4, 8, 1), writeRequest(17, 6, 1, [3]), writeRequest(17, 16, 1, [10, 0x0102]), readRequest(17, 3, 0, 1)];
  const answers = [[3, 6, 2, 0x2b, 0, 0, 0, 0x64], [4, 2, 0, 10], [6, 0, 1, 0, 3], [16, 0, 1, 0, 2], [0x83, 2]].map((pdu) => Uint8Array.from(pdu));

  it.each([
    { name: 'RTU', connect: 'connectTelnet', frame: (_: number, pdu: Uint8Array) => rtuFrame(17, pdu) },
    { name: 'TCP', connect: 'connectTCP', frame: (transaction: number, pdu: Uint8Array) => mbapFrame(transaction, 17, pdu) },
  ] as const)('$name: sends the frames that we send, and takes the answers that we make', async ({ connect, frame }) => {
    const seen: string[] = [];
    const port = await listen(net.createServer((socket) => socket.on('data', (request) => {
      socket.write(frame(request.readUInt16BE(0), answers[seen.length]!));
      seen.push(request.toString('hex'));
    })));
    const client = new ModbusRTU();
    await client[connect]('127.0.0.1', { port });
    ends.push(() => new Promise<void>((resolve) => client.close(() => resolve())));
    client.setID(17);
    client.setTimeout(5_000);
    expect((await client.readHoldingRegisters(0x6b, 3)).data).toEqual([0x022b, 0, 100]);
    expect((await client.readInputRegisters(8, 1)).data).toEqual([10]);
    expect(await client.writeRegister(1, 3)).toMatchObject({ address: 1, value: 3 });
    expect(await client.writeRegisters(1, [10, 0x0102])).toMatchObject({ address: 1, length: 2 });
    await expect(client.readHoldingRegisters(0, 1)).rejects.toMatchObject({ modbusCode: 2 });
    expect(seen).toEqual(requests.map((request, i) => Buffer.from(frame(i + 1, request.pdu)).toString('hex')));
  });
});
