/**
 * Binary message of a page's port, in both directions: a 24-byte header and the bytes, all little-endian.
 *
 * | offset | type | what |
 * |---|---|---|
 * | 0 | uint8 | 1: version of this layout |
 * | 1 | uint8 | 1: read from the device (page to gateway), 2: to be written to it (gateway to page) |
 * | 2 | uint16 | 0 |
 * | 4 | uint32 | connection: as in the `open` message that these bytes belong to |
 * | 8 | uint32 | number: from 0, one more with each read and each `cut`; of its own for writes |
 * | 12 | uint32 | 0 |
 * | 16 | float64 | when it was read, ms of the page's own monotonic clock (`performance.now()`); 0 for writes |
 * | 24 | | the bytes, at least one |
 */
export const PORT_HEADER_BYTES = 24;

/** Most bytes of the device in one message; a longer read goes as several, all with its time. */
export const PORT_PAYLOAD_MAX = 32 * 1024;

export interface PortBytes {
  readonly kind: 'read' | 'write';
  readonly connection: number;
  readonly number: number;
  readonly atMs: number;
  readonly data: Uint8Array;
}

/** A copy: the caller may use its buffer again. */
export function encodePortBytes({ kind, connection, number, atMs, data }: PortBytes): Uint8Array<ArrayBuffer> {
  const bytes = new Uint8Array(PORT_HEADER_BYTES + data.length);
  const view = new DataView(bytes.buffer);
  view.setUint8(0, 1);
  view.setUint8(1, kind === 'read' ? 1 : 2);
  view.setUint32(4, connection, true);
  view.setUint32(8, number, true);
  view.setFloat64(16, atMs, true);
  bytes.set(data, PORT_HEADER_BYTES);
  return bytes;
}

/** The bytes are a copy. @throws RangeError when it is no such message. */
export function decodePortBytes(bytes: Uint8Array): PortBytes {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  if (bytes.length <= PORT_HEADER_BYTES) throw new RangeError('a message without bytes of the device');
  if (bytes.length > PORT_HEADER_BYTES + PORT_PAYLOAD_MAX) throw new RangeError(`more than ${PORT_PAYLOAD_MAX} bytes of the device in one message`);
  const kind = view.getUint8(1);
  if (view.getUint8(0) !== 1 || (kind !== 1 && kind !== 2)) throw new RangeError('not a message of layout 1');
  const atMs = view.getFloat64(16, true);
  if (!Number.isFinite(atMs)) throw new RangeError('a time that is not a number');
  return {
    kind: kind === 1 ? 'read' : 'write',
    connection: view.getUint32(4, true),
    number: view.getUint32(8, true),
    atMs,
    data: new Uint8Array(bytes.subarray(PORT_HEADER_BYTES)),
  };
}
