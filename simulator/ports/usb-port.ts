/** A virtual instrument on USB: bytes in packets through bulk or interrupt endpoints, and what can go wrong there. */
import { TorsiondError } from '../../shared/errors.ts';
import { addressText, MAX_BACKLOG_BYTES, type PortCounters, type SimulatedPort, type UsbPortAddress } from './port.ts';
import { soon } from './soon.ts';
import type { UsbBus } from './usb-bus.ts';
import { SimulatedUsbDevice, type UsbEndpoint, type UsbFunction, type UsbInTransfer, type UsbInterface, type UsbOutTransfer } from './usb-device.ts';

export interface UsbPortOptions {
  bus: UsbBus;
  /** Left out: 0x1209 and 0x0001, which pid.codes reserves for tests. */
  vendorId?: number;
  productId?: number;
  serialNumber?: string | null;
  manufacturerName?: string | null;
  productName?: string | null;
  /** The socket on the bus, for example `1-2`. */
  place?: string;
  type?: UsbEndpoint['type'];
  /** Bytes; 64 when left out. */
  packetSize?: number;
  interfaceNumber?: number;
  inEndpoint?: number;
  /** Null: the device cannot be written to. */
  outEndpoint?: number | null;
  /** Further interfaces, whose endpoints do nothing. */
  otherInterfaces?: readonly UsbInterface[];
  /** What a bridge chip puts before the bytes of each packet. */
  packetHeader?: Uint8Array;
  /** A write that fills its last packet is followed by an empty one, as the end of a transfer. */
  endsWithEmptyPacket?: boolean;
  /** False: the host must select the configuration. */
  isConfigured?: boolean;
  maxBacklogBytes?: number;
}

interface Reading {
  readonly length: number;
  readonly parts: Uint8Array[];
  /** Bytes so far, with headers; and without. */
  size: number;
  payload: number;
  readonly resolve: (transfer: UsbInTransfer) => void;
  readonly reject: (error: Error) => void;
}

/** Transfers that a host may have waiting; far more than any needs. */
const READINGS_MAX = 64;

export function openUsbPort(options: UsbPortOptions): UsbPort {
  const port = new UsbPort(options);
  port.plugIn();
  return port;
}

export class UsbPort implements SimulatedPort {
  readonly #options: UsbPortOptions;
  readonly #packetSize: number;
  readonly #header: Uint8Array;
  readonly #maxBacklogBytes: number;
  readonly #listeners: ((bytes: Uint8Array) => void)[] = [];
  #device: SimulatedUsbDevice | null = null;
  #isClaimed = false;
  #isClosed = false;
  /** Payloads of the packets that wait; without headers. */
  #packets: Uint8Array[] = [];
  #backlogBytes = 0;
  #readings: Reading[] = [];
  #isPumpDue = false;
  #counters = { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };
  // Faults to come.
  #refusals: { open: Error | null; claim: Error | null } = { open: null, claim: null };
  #halted = { in: 0, out: 0 };
  #isHalted = { in: false, out: false };
  #babbles = 0;
  #failures = 0;
  #isOutHanging = false;
  #hanging: ((error: Error) => void)[] = [];
  #takesAtMost = Infinity;

  constructor(options: UsbPortOptions) {
    this.#options = options;
    this.#packetSize = options.packetSize ?? 64;
    this.#header = options.packetHeader ?? new Uint8Array(0);
    this.#maxBacklogBytes = options.maxBacklogBytes ?? MAX_BACKLOG_BYTES;
    if (this.#header.length >= this.#packetSize) throw new TorsiondError('SIM_SCENARIO', 'the header leaves no room in a packet', { where: 'packetHeader' });
  }

  get address(): UsbPortAddress {
    const { vendorId = 0x1209, productId = 0x0001, serialNumber = 'HF-U0001', place = '1-1' } = this.#options;
    return { kind: 'usb', vendorId: hex(vendorId), productId: hex(productId), serialNumber, place };
  }

  get isPluggedIn(): boolean {
    return this.#device !== null;
  }

  get backlogBytes(): number {
    return this.#backlogBytes + this.#inTransfers();
  }

  get counters(): PortCounters {
    return { ...this.#counters };
  }

  /** What the host has of it now; null while it is unplugged. */
  get device(): SimulatedUsbDevice | null {
    return this.#device;
  }

  /** Transfers from the device that the host waits for. */
  get pendingReads(): number {
    return this.#readings.length;
  }

  write(bytes: Uint8Array): void {
    this.#counters.writtenBytes += bytes.length;
    if (!this.#isClaimed) {
      this.#counters.unheardBytes += bytes.length;
      return;
    }
    if (this.backlogBytes + bytes.length > this.#maxBacklogBytes) {
      this.#counters.overrunBytes += bytes.length;
      return;
    }
    const room = this.#packetSize - this.#header.length;
    let rest = bytes;
    // A packet that has not left is filled up first, as in the FIFO of a real device.
    const last = this.#packets.at(-1);
    if (last && last.length > 0 && last.length < room) {
      const added = rest.subarray(0, room - last.length);
      this.#packets[this.#packets.length - 1] = joined([last, added]);
      rest = rest.subarray(added.length);
    }
    for (let at = 0; at < rest.length; at += room) this.#packets.push(rest.slice(at, at + room));
    if (this.#options.endsWithEmptyPacket && this.#packets.at(-1)?.length === room) this.#packets.push(new Uint8Array(0));
    this.#backlogBytes += bytes.length;
    this.#pumpSoon();
  }

  onData(listener: (bytes: Uint8Array) => void): void {
    this.#listeners.push(listener);
  }

  plugIn(): void {
    if (this.#isClosed) throw new TorsiondError('LINK_CLOSED', 'the virtual port is closed', { where: addressText(this.address) });
    if (this.#device) return;
    const {
      bus, vendorId = 0x1209, productId = 0x0001, serialNumber = 'HF-U0001', manufacturerName = 'Hollin & Fenn (invented)', productName = 'torque transducer',
      place = '1-1', type = 'bulk', interfaceNumber = 0, inEndpoint = 1, outEndpoint = 2, otherInterfaces = [], isConfigured = true,
    } = this.#options;
    const endpoints: UsbEndpoint[] = [{ endpointNumber: inEndpoint, direction: 'in', type, packetSize: this.#packetSize }];
    if (outEndpoint !== null) endpoints.push({ endpointNumber: outEndpoint, direction: 'out', type, packetSize: this.#packetSize });
    const own = { interfaceNumber, interfaceClass: 255, endpoints };
    const interfaces = [own, ...otherInterfaces].sort((a, b) => a.interfaceNumber - b.interfaceNumber);
    this.#halted = { in: 0, out: 0 };
    this.#isHalted = { in: false, out: false };
    this.#device = new SimulatedUsbDevice({ vendorId, productId, serialNumber, manufacturerName, productName }, interfaces, interfaceNumber, isConfigured, this.#inside);
    bus.attach(this.#device, place);
  }

  async unplug(): Promise<void> {
    const device = this.#device;
    if (!device) return;
    this.#device = null;
    device.vanish();
    this.#options.bus.detach(device);
  }

  async replug(): Promise<void> {
    this.plugIn();
  }

  async close(): Promise<void> {
    this.#isClosed = true;
    await this.unplug();
  }

  /** So many transfers end as `stall`: the endpoint halts, and again each time the host has cleared it. */
  stall(times = 1, direction: 'in' | 'out' = 'in'): void {
    this.#halted[direction] += times;
    this.#haltIfDue(direction);
    this.#pumpSoon();
  }

  /** The next packet is longer than a packet may be: its transfer ends as `babble`, and its bytes are lost. */
  babble(): void {
    this.#babbles++;
    this.#pumpSoon();
  }

  /** A packet without bytes. */
  sendEmptyPacket(): void {
    if (!this.#isClaimed) return;
    this.#packets.push(new Uint8Array(0));
    this.#pumpSoon();
  }

  /** The next transfer from the device fails, while the device stays where it is. */
  failTransfer(): void {
    this.#failures++;
    this.#pumpSoon();
  }

  /** The host is refused from now on; null: no longer. */
  refuse(step: 'open' | 'claim', error: Error | null): void {
    this.#refusals[step] = error;
  }

  /** Whether what the host sends is never taken. */
  hangOut(isHanging: boolean): void {
    this.#isOutHanging = isHanging;
  }

  /** Of each transfer to the device it takes only so many bytes. */
  takeAtMost(bytes: number): void {
    this.#takesAtMost = bytes;
  }

  readonly #inside: UsbFunction = {
    refusalOf: (step) => this.#refusals[step],
    read: (length) => new Promise((resolve, reject) => {
      if (this.#readings.length >= READINGS_MAX) return reject(new DOMException('Too many transfers wait.', 'NetworkError'));
      this.#readings.push({ length, parts: [], size: 0, payload: 0, resolve, reject });
      this.#pumpSoon();
    }),
    take: (data) => this.#take(data),
    clearHalt: (direction) => {
      this.#isHalted[direction] = false;
      this.#haltIfDue(direction);
      this.#pumpSoon();
    },
    claimed: () => {
      this.#isClaimed = true;
    },
    released: (error) => {
      this.#isClaimed = false;
      this.#counters.unheardBytes += this.backlogBytes;
      this.#backlogBytes = 0;
      this.#packets = [];
      for (const reading of this.#readings.splice(0)) reading.reject(error);
      for (const reject of this.#hanging.splice(0)) reject(error);
    },
  };

  #haltIfDue(direction: 'in' | 'out'): void {
    if (this.#isHalted[direction] || this.#halted[direction] === 0) return;
    this.#halted[direction]--;
    this.#isHalted[direction] = true;
  }

  async #take(data: Uint8Array): Promise<UsbOutTransfer> {
    if (this.#isOutHanging) return new Promise((_, reject) => this.#hanging.push(reject));
    await new Promise<void>(soon);
    if (!this.#isClaimed) throw new DOMException('A transfer error has occurred.', 'NetworkError');
    if (this.#isHalted.out) return { status: 'stall', bytesWritten: 0 };
    const taken = data.slice(0, this.#takesAtMost);
    this.#counters.receivedBytes += taken.length;
    for (const listener of this.#listeners) listener(taken);
    return { status: 'ok', bytesWritten: taken.length };
  }

  /** Transfers end between two turns of the event loop, as those of real hardware do. */
  #pumpSoon(): void {
    if (this.#isPumpDue) return;
    this.#isPumpDue = true;
    soon(() => {
      this.#isPumpDue = false;
      this.#pump();
    });
  }

  #pump(): void {
    for (let reading = this.#readings[0]; reading && this.#step(reading); reading = this.#readings[0]);
  }

  /** @returns whether the transfer, or one of its packets, is done */
  #step(reading: Reading): boolean {
    if (this.#failures > 0) {
      this.#failures--;
      this.#drop(reading.payload);
      this.#readings.shift();
      reading.reject(new DOMException('A transfer error has occurred.', 'NetworkError'));
      return true;
    }
    if (this.#isHalted.in) {
      this.#drop(reading.payload);
      return this.#end(reading, 'stall');
    }
    const packet = this.#packets[0];
    if (packet === undefined) return false;
    const wireLength = this.#header.length + packet.length;
    if (this.#babbles > 0 || reading.size + wireLength > reading.length) {
      if (this.#babbles > 0) this.#babbles--;
      this.#packets.shift();
      this.#backlogBytes -= packet.length;
      this.#drop(packet.length + reading.payload);
      return this.#end(reading, 'babble');
    }
    this.#packets.shift();
    this.#backlogBytes -= packet.length;
    reading.parts.push(this.#header, packet);
    reading.size += wireLength;
    reading.payload += packet.length;
    // A short packet ends a transfer; a full one only when nothing more was asked for.
    return wireLength < this.#packetSize || reading.size === reading.length ? this.#end(reading, 'ok') : true;
  }

  #end(reading: Reading, status: UsbInTransfer['status']): true {
    this.#readings.shift();
    const data = joined(status === 'ok' ? reading.parts : []);
    reading.resolve({ status, data: new DataView(data.buffer) });
    return true;
  }

  /** Bytes in transfers that have not ended yet. */
  #inTransfers(): number {
    return this.#readings.reduce((sum, reading) => sum + reading.payload, 0);
  }

  #drop(bytes: number): void {
    this.#counters.unheardBytes += bytes;
  }
}

export function hex(id: number): string {
  return id.toString(16).padStart(4, '0');
}

function joined(parts: readonly Uint8Array[]): Uint8Array<ArrayBuffer> {
  const all = new Uint8Array(parts.reduce((sum, part) => sum + part.length, 0));
  let at = 0;
  for (const part of parts) {
    all.set(part, at);
    at += part.length;
  }
  return all;
}
