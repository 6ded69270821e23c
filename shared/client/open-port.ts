/** What the forwarder needs of a port, whatever the browser reads it with. */
import type { Clock } from '../clock.ts';
import type { PortCutName, PortHow, PortKind } from '../wire/port-messages.ts';

export interface OpenPortEvents {
  /** A read of at most PORT_PAYLOAD_MAX bytes; `atMs` is when the browser handed it over. */
  bytes(data: Uint8Array, atMs: number): void;
  /** Bytes were lost or spoilt; reading goes on. */
  cut(name: PortCutName, atMs: number): void;
  /** The device refused a transfer and goes on; no byte is known to be missing. */
  stalled(): void;
  /** The device is gone, or the port cannot be read any more. Called once, never after `close`. */
  lost(message: string): void;
}

/** One opening. */
export interface OpenPort {
  /** @throws what the browser throws; TorsiondError LINK_SETTINGS when the settings do not fit the device */
  open(): Promise<void>;
  /** Begins to read. */
  start(): void;
  /** While held nothing more is read. */
  hold(isHeld: boolean): void;
  /** Resolves when the browser has taken the bytes. @throws what the browser throws */
  write(data: Uint8Array): Promise<void>;
  /** Lets the port go. Idempotent; never rejects. */
  close(): Promise<void>;
}

/** A port or device that the browser granted. */
export interface ForwardedPort {
  readonly kind: PortKind;
  /** What a person knows it by. */
  readonly name: string;
  /** @returns undoes it */
  onUnplugged(listener: () => void): () => void;
  /** @throws TypeError when the gateway asks for another kind of port */
  prepare(how: PortHow, events: OpenPortEvents, clock: Clock): OpenPort;
}
