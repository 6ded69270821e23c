/** The Modbus units of the simulator, asked by the client of an independent library, modbus-serial. */
import modbusSerial from 'modbus-serial';
import { describe, expect, it, onTestFinished } from 'vitest';
import { systemClock } from '../../../shared/clock.ts';
import { openPtyPort, openTcpPort, type SimulatedPort } from '../../../simulator/index.ts';
import { ModbusFormat } from '../../../simulator/instruments/modbus-format.ts';
import { ModbusInstrument } from '../../../simulator/instruments/modbus-instrument.ts';
import { ManualClock } from '../../helpers/manual-clock.ts';
import { MemoryPort } from './memory-port.ts';

const { default: Client } = modbusSerial;

/** What is in the registers, by channel. */
const TORQUES = [12.5, -7.25, 40_000, -100_000, 3_000_000_000, 1.5, -2.75];
const REGISTERS = [
  { address: 100, type: 'f32', order: 'ABCD' },
  { address: 102, type: 'f32', order: 'CDAB' },
  { address: 104, type: 'u16', scale: 1 },
  { address: 105, type: 'i32', order: 'DCBA', scale: 1 },
  { address: 107, type: 'u32', order: 'BADC', scale: 1 },
  { unit: 7, kind: 'input', address: 0, type: 'i16', scale: 0.01 },
  { unit: 7, kind: 'input', address: 1, type: 'i16', order: 'BADC', scale: 0.01 },
];

function units(port: SimulatedPort, transport: 'rtu' | 'tcp', state = { isSaturated: false, zeroed: 0 }): { isSaturated: boolean; zeroed: number } {
  const instrument = new ModbusInstrument({
    port, clock: systemClock, rateHz: 1_000,
    format: ModbusFormat.parse({ transport, registers: REGISTERS, zero: { unit: 1, address: 200 } }),
    channels: TORQUES.map((torque) => ({ source: { next: () => torque, get isSaturated() { return state.isSaturated; }, zero: () => void state.zeroed++ }, shown: { factor: 1, offset: 0 } })),
  });
  instrument.switchOn();
  onTestFinished(() => instrument.switchOff());
  return state;
}

interface Row {
  readonly name: string;
  readonly transport: 'rtu' | 'tcp';
  connect(client: InstanceType<typeof Client>): Promise<SimulatedPort>;
}

const ROWS: readonly Row[] = [
  { name: 'RTU on a pseudo terminal', transport: 'rtu', connect: async (client) => {
    const port = await openPtyPort();
    onTestFinished(() => port.close());
    await client.connectRTUBuffered(port.address.path, { baudRate: 115_200 });
    return port;
  } },
  { name: 'RTU behind TCP', transport: 'rtu', connect: async (client) => {
    const port = await openTcpPort();
    onTestFinished(() => port.close());
    await client.connectTelnet(port.address.host, { port: port.address.port });
    return port;
  } },
  { name: 'Modbus TCP', transport: 'tcp', connect: async (client) => {
    const port = await openTcpPort();
    onTestFinished(() => port.close());
    await client.connectTCP(port.address.host, { port: port.address.port });
    return port;
  } },
];

describe.each(ROWS)('$name', ({ transport, connect }) => {
  async function connected() {
    const client = new Client();
    // Its own event for a connection that the port closes first.
    client.on('error', () => {});
    const port = await connect(client);
    onTestFinished(() => new Promise<void>((resolve) => client.close(() => resolve())));
    client.setTimeout(5_000);
    const state = units(port, transport);
    client.setID(1);
    return { client, state };
  }

  it('gives every type in every order, several registers in one answer, and both functions', async () => {
    const { client } = await connected();
    const { buffer } = await client.readHoldingRegisters(100, 9);
    expect(buffer.readFloatBE(0)).toBe(12.5);
    expect(Buffer.from([buffer[6]!, buffer[7]!, buffer[4]!, buffer[5]!]).readFloatBE(0)).toBe(-7.25);
    expect(buffer.readUInt16BE(8)).toBe(40_000);
    expect(buffer.readInt32LE(10)).toBe(-100_000);
    expect(Buffer.from([buffer[15]!, buffer[14]!, buffer[17]!, buffer[16]!]).readUInt32BE(0)).toBe(3_000_000_000);
    client.setID(7);
    expect((await client.readInputRegisters(0, 1)).data).toEqual([150]);
    expect((await client.readInputRegisters(1, 1)).buffer.readInt16LE(0)).toBe(-275);
  });

  it('names illegal functions and addresses', async () => {
    const { client } = await connected();
    await expect(client.readHoldingRegisters(99, 2)).rejects.toMatchObject({ modbusCode: 2 });
    await expect(client.readHoldingRegisters(108, 2)).rejects.toMatchObject({ modbusCode: 2 });
    await expect(client.readInputRegisters(100, 1)).rejects.toMatchObject({ modbusCode: 2 });
    await expect(client.writeRegister(201, 1)).rejects.toMatchObject({ modbusCode: 2 });
    await expect(client.readCoils(0, 1)).rejects.toMatchObject({ modbusCode: 1 });
    await expect(client.readDiscreteInputs(0, 1)).rejects.toMatchObject({ modbusCode: 1 });
    // And goes on answering.
    expect((await client.readHoldingRegisters(104, 1)).data).toEqual([40_000]);
  });

  it('zeroes when 1 is written, by either function, and not with another number', async () => {
    const { client, state } = await connected();
    await client.writeRegister(200, 1);
    expect(state.zeroed).toBe(TORQUES.length);
    await client.writeRegisters(200, [1]);
    expect(state.zeroed).toBe(2 * TORQUES.length);
    await client.writeRegister(200, 2);
    expect(state.zeroed).toBe(2 * TORQUES.length);
  });

  it('shows an overload by the last number of each type', async () => {
    const { client, state } = await connected();
    state.isSaturated = true;
    const { buffer } = await client.readHoldingRegisters(100, 9);
    expect(buffer.readFloatBE(0)).toBe(Infinity);
    expect(buffer.readUInt16BE(8)).toBe(0xffff);
    expect(buffer.readInt32LE(10)).toBe(-(2 ** 31));
  });

  it('does not answer for a unit that is not there', async () => {
    const { client } = await connected();
    client.setID(3);
    client.setTimeout(150);
    await expect(client.readHoldingRegisters(100, 1)).rejects.toMatchObject({ name: 'TransactionTimedOutError' });
  });
});

describe('what no client would send', () => {
  /** Whole frames after Modbus over Serial Line V1.02, 2.5.1, their CRCs by the public catalogue's CRC-16/MODBUS. */
  const crc = (bytes: readonly number[]): number[] => {
    let register = 0xffff;
    for (const byte of bytes) {
      register ^= byte;
      for (let bit = 0; bit < 8; bit++) register = register & 1 ? (register >> 1) ^ 0xa001 : register >> 1;
    }
    return [...bytes, register & 0xff, register >> 8];
  };
  let zeroed = 0;
  const heard = (...frames: (readonly number[])[]): number[] => {
    zeroed = 0;
    const port = new MemoryPort();
    const instrument = new ModbusInstrument({
      port, clock: new ManualClock(), rateHz: 1_000, format: ModbusFormat.parse({ registers: [{ address: 0, type: 'i16' }], zero: { address: 9 } }),
      channels: [{ source: { next: () => 1.5, isSaturated: false, zero: () => void zeroed++ }, shown: { factor: 1, offset: 0 } }],
    });
    instrument.switchOn();
    for (const frame of frames) port.say(Uint8Array.from(frame));
    return [...port.bytes];
  };

  it('a number of registers that cannot be is an illegal value', () => {
    expect(heard(crc([1, 3, 0, 0, 0, 0]))).toEqual(crc([1, 0x83, 3]));
    expect(heard(crc([1, 3, 0, 0, 0, 126]))).toEqual(crc([1, 0x83, 3]));
    expect(heard(crc([1, 16, 0, 9, 0, 2, 2, 0, 1]))).toEqual(crc([1, 0x90, 3]));
  });

  it('a wrong CRC, noise and half a frame get no answer, and the next whole request does', () => {
    const good = crc([1, 3, 0, 0, 0, 1]);
    const answer = crc([1, 3, 2, 1500 >> 8, 1500 & 0xff]);
    expect(heard(good)).toEqual(answer);
    expect(heard([...good.slice(0, -1), good.at(-1)! ^ 1])).toEqual([]);
    expect(heard([0xf8, 0xff, 0xfe], good)).toEqual(answer);
    expect(heard(good.slice(0, 3), good.slice(3))).toEqual(answer);
  });

  it('what is sent to all is done and not answered', () => {
    expect(heard(crc([0, 6, 0, 9, 0, 1]))).toEqual([]);
    expect(zeroed).toBe(1);
  });
});
