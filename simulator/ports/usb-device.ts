/**
 * A simulated USB device with the shape of `USBDevice`, written from the text of the W3C WebUSB standard: which calls are
 * refused in which state, and under which names. What goes through its endpoints is `usb-port.ts`'s.
 */

export interface UsbEndpoint {
  readonly endpointNumber: number;
  readonly direction: 'in' | 'out';
  readonly type: 'bulk' | 'interrupt';
  /** Bytes. */
  readonly packetSize: number;
}

export interface UsbInterface {
  readonly interfaceNumber: number;
  /** 255: the maker's own. */
  readonly interfaceClass: number;
  readonly endpoints: readonly UsbEndpoint[];
}

export interface UsbIdentity {
  readonly vendorId: number;
  readonly productId: number;
  readonly serialNumber: string | null;
  readonly manufacturerName: string | null;
  readonly productName: string | null;
}

export interface UsbInTransfer {
  readonly status: 'ok' | 'stall' | 'babble';
  readonly data?: DataView<ArrayBuffer>;
}

export interface UsbOutTransfer {
  readonly status: 'ok' | 'stall';
  readonly bytesWritten: number;
}

/** The device's inside. */
export interface UsbFunction {
  /** Rejections to come: a program that has it, rights that are missing. */
  refusalOf(step: 'open' | 'claim'): Error | null;
  read(length: number): Promise<UsbInTransfer>;
  take(data: Uint8Array): Promise<UsbOutTransfer>;
  clearHalt(direction: 'in' | 'out'): void;
  /** An interface is the host's now, or no longer: its transfers end with the error. */
  claimed(): void;
  released(error: Error): void;
}

interface AlternateInterface {
  readonly alternateSetting: number;
  readonly interfaceClass: number;
  readonly interfaceSubclass: number;
  readonly interfaceProtocol: number;
  readonly endpoints: readonly UsbEndpoint[];
}

export interface UsbConfiguration {
  readonly configurationValue: number;
  readonly interfaces: readonly {
    readonly interfaceNumber: number;
    readonly claimed: boolean;
    readonly alternate: AlternateInterface;
    readonly alternates: readonly AlternateInterface[];
  }[];
}

/** The one configuration that a simulated device has. */
const CONFIGURATION = 1;

export class SimulatedUsbDevice {
  readonly vendorId: number;
  readonly productId: number;
  readonly serialNumber: string | null;
  readonly manufacturerName: string | null;
  readonly productName: string | null;
  readonly #interfaces: readonly UsbInterface[];
  /** The interface whose bytes are simulated; the others are only there. */
  readonly #served: number;
  readonly #inside: UsbFunction;
  readonly #claims = new Set<number>();
  #selected: number | null;
  #isOpen = false;
  #isGone = false;

  constructor(identity: UsbIdentity, interfaces: readonly UsbInterface[], served: number, isConfigured: boolean, inside: UsbFunction) {
    this.vendorId = identity.vendorId;
    this.productId = identity.productId;
    this.serialNumber = identity.serialNumber;
    this.manufacturerName = identity.manufacturerName;
    this.productName = identity.productName;
    this.#interfaces = interfaces;
    this.#served = served;
    this.#selected = isConfigured ? CONFIGURATION : null;
    this.#inside = inside;
  }

  get opened(): boolean {
    return this.#isOpen;
  }

  get configuration(): UsbConfiguration | null {
    return this.#selected === null ? null : this.configurations[0]!;
  }

  get configurations(): readonly UsbConfiguration[] {
    return [{
      configurationValue: CONFIGURATION,
      interfaces: this.#interfaces.map(({ interfaceNumber, interfaceClass, endpoints }) => {
        const alternate = { alternateSetting: 0, interfaceClass, interfaceSubclass: 0, interfaceProtocol: 0, endpoints };
        return { interfaceNumber, claimed: this.#claims.has(interfaceNumber), alternate, alternates: [alternate] };
      }),
    }];
  }

  async open(): Promise<void> {
    this.#assertThere();
    if (this.#isOpen) return;
    const refusal = this.#inside.refusalOf('open');
    if (refusal) throw refusal;
    this.#isOpen = true;
  }

  async close(): Promise<void> {
    if (!this.#isOpen) return;
    this.#isOpen = false;
    this.#releaseAll(new DOMException('The transfer was cancelled.', 'AbortError'));
  }

  async selectConfiguration(configurationValue: number): Promise<void> {
    this.#assertThere();
    if (configurationValue !== CONFIGURATION) throw new DOMException(`The device has no configuration ${configurationValue}.`, 'NotFoundError');
    this.#assertOpen();
    this.#releaseAll(new DOMException('The transfer was cancelled.', 'AbortError'));
    this.#selected = configurationValue;
  }

  async claimInterface(interfaceNumber: number): Promise<void> {
    this.#assertInterface(interfaceNumber);
    if (this.#claims.has(interfaceNumber)) return;
    const refusal = this.#inside.refusalOf('claim');
    if (refusal) throw refusal;
    this.#claims.add(interfaceNumber);
    if (interfaceNumber === this.#served) this.#inside.claimed();
  }

  async releaseInterface(interfaceNumber: number): Promise<void> {
    this.#assertInterface(interfaceNumber);
    if (this.#claims.delete(interfaceNumber) && interfaceNumber === this.#served) {
      this.#inside.released(new DOMException('The transfer was cancelled.', 'AbortError'));
    }
  }

  async transferIn(endpointNumber: number, length: number): Promise<UsbInTransfer> {
    this.#assertEndpoint('in', endpointNumber);
    return this.#inside.read(length);
  }

  async transferOut(endpointNumber: number, data: BufferSource): Promise<UsbOutTransfer> {
    this.#assertEndpoint('out', endpointNumber);
    const bytes = data instanceof ArrayBuffer ? new Uint8Array(data) : new Uint8Array(data.buffer, data.byteOffset, data.byteLength);
    return this.#inside.take(bytes.slice());
  }

  async clearHalt(direction: 'in' | 'out', endpointNumber: number): Promise<void> {
    this.#assertEndpoint(direction, endpointNumber);
    this.#inside.clearHalt(direction);
  }

  /** The plug is pulled. */
  vanish(): void {
    this.#isGone = true;
    this.#isOpen = false;
    this.#releaseAll(new DOMException('A transfer error has occurred.', 'NetworkError'));
  }

  #assertThere(): void {
    if (this.#isGone) throw new DOMException('The device was disconnected.', 'NotFoundError');
  }

  #assertOpen(): void {
    if (!this.#isOpen) throw new DOMException('The device must be opened first.', 'InvalidStateError');
  }

  #assertInterface(interfaceNumber: number): void {
    this.#assertThere();
    if (!this.#interfaces.some((one) => one.interfaceNumber === interfaceNumber)) {
      throw new DOMException(`The device has no interface ${interfaceNumber}.`, 'NotFoundError');
    }
    this.#assertOpen();
    if (this.#selected === null) throw new DOMException('The device has no configuration selected.', 'InvalidStateError');
  }

  #assertEndpoint(direction: 'in' | 'out', endpointNumber: number): void {
    this.#assertThere();
    const holder = this.#interfaces.find(({ endpoints }) => endpoints.some((one) => one.direction === direction && one.endpointNumber === endpointNumber));
    if (!holder) throw new DOMException(`The device has no ${direction} endpoint ${endpointNumber}.`, 'NotFoundError');
    this.#assertOpen();
    if (!this.#claims.has(holder.interfaceNumber)) throw new DOMException('The interface must be claimed first.', 'InvalidStateError');
  }

  #releaseAll(error: Error): void {
    const wasServed = this.#claims.has(this.#served);
    this.#claims.clear();
    if (wasServed) this.#inside.released(error);
  }
}
