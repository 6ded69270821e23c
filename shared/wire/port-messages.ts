/** What a page that brings the bytes of a port and the gateway say to each other, beside the bytes (`port-bytes.ts`). */
import * as z from 'zod';

const connection = z.number().int().min(0).max(0xffff_ffff).describe('Which opening of the port; the gateway counts them.');
const number = z.number().int().min(0).max(0xffff_ffff);
const atMs = z.number().describe('The page\'s own monotonic clock (performance.now()), ms.');
const words = z.string().max(300);

export const PortLine = z.object({
  baudRate: z.number().int().positive(),
  dataBits: z.union([z.literal(7), z.literal(8)]),
  parity: z.enum(['none', 'even', 'odd']),
  stopBits: z.union([z.literal(1), z.literal(2)]),
  flowControl: z.enum(['none', 'hardware']),
  dtr: z.boolean().nullable().describe('Set after opening; null: left alone.'),
  rts: z.boolean().nullable().describe('Set after opening; null: left alone.'),
});
export type PortLine = z.infer<typeof PortLine>;

const usbId = z.number().int().min(0).max(0xffff);
export const PortUsbDevice = z.object({
  vendorId: usbId,
  productId: usbId,
  serialNumber: z.string().max(126).optional().describe('Left out: any.'),
});
export type PortUsbDevice = z.infer<typeof PortUsbDevice>;

export const PortUsb = z.object({
  ...PortUsbDevice.shape,
  configuration: z.number().int().optional().describe('Left out: the one that is selected.'),
  interface: z.number().int().optional().describe('Left out: the only one that can be read.'),
  inEndpoint: z.number().int().optional().describe('Left out: the only one.'),
  outEndpoint: z.number().int().optional().describe('Left out: the only one.'),
  packetHeaderBytes: z.number().int().min(0).describe('So many bytes of each packet are no data, and are not sent on.'),
});
export type PortUsb = z.infer<typeof PortUsb>;

/** The read errors after which a port goes on: of W3C Web Serial, and of W3C WebUSB `babble`. */
export const PortCutName = z.enum(['BufferOverrunError', 'BreakError', 'FramingError', 'ParityError', 'babble']);
export type PortCutName = z.infer<typeof PortCutName>;

export const PortKind = z.enum(['serial', 'usb']);
export type PortKind = z.infer<typeof PortKind>;

export const PortOffer = z.strictObject({
  type: z.literal('offer'),
  name: words.min(1).describe('What a person knows the port by.'),
  page: z.string().min(1).max(64).describe('Stays the same while the page lives: it may come back before its old connection is seen to be dead.'),
  kind: PortKind.default('serial').describe('What the page reads it with: Web Serial or WebUSB.'),
  takeOver: z.boolean().default(false).describe('Take the place of another page that serves this instrument.'),
}).describe('First message: the page has a port for the instrument.');
export const PortOpened = z.strictObject({ type: z.literal('opened'), connection }).describe('The port is open; bytes follow.');
export const PortNotOpened = z.strictObject({ type: z.literal('not-opened'), connection, error: words.describe('Name of the error, for example NetworkError.'), message: words })
  .describe('The browser could not open the port.');
export const PortClosed = z.strictObject({ type: z.literal('closed'), connection }).describe('The port is let go, as asked.');
export const PortLost = z.strictObject({ type: z.literal('lost'), connection, message: words }).describe('The port ended by itself.');
export const PortCut = z.strictObject({ type: z.literal('cut'), connection, number, atMs, error: PortCutName }).describe('Bytes were lost or spoilt here; the port goes on.');
export const PortStalled = z.strictObject({ type: z.literal('stalled'), connection }).describe('A USB device refused a transfer, and goes on; nothing is known to be missing.');
export const PortWrote = z.strictObject({ type: z.literal('wrote'), connection, number }).describe('The bytes of that number have left for the device.');
export const PortNotWritten = z.strictObject({ type: z.literal('not-written'), connection, number, message: words }).describe('They have not.');
export const PortBeatAnswer = z.strictObject({ type: z.literal('beat'), number, atMs }).describe('Answers a beat, at once.');

const windowBytes = z.number().int().positive().describe('So many bytes may be on the way without a "took"; then the page stops reading.');
export const PortOpen = z.object({ type: z.literal('open'), connection, line: PortLine, windowBytes }).describe('Open the port with these line settings.');
export const PortOpenUsb = z.object({ type: z.literal('open-usb'), connection, usb: PortUsb, windowBytes }).describe('Open the USB device, and read and write through these endpoints.');
export const PortClose = z.object({ type: z.literal('close'), connection }).describe('Let the port go; answered by closed.');
export const PortTook = z.object({ type: z.literal('took'), connection, number }).describe('Everything up to this number was taken.');
export const PortBeat = z.object({ type: z.literal('beat'), number }).describe('Is the page alive, and what does its clock say?');
export const PortAccepted = z.object({ type: z.literal('accepted'), instrument: z.string(), title: z.string() }).describe('The offer stands; the gateway opens the port when it needs it.');
export const PortRefused = z.object({ type: z.literal('refused'), code: z.string(), message: z.string(), hint: z.string() }).describe('The gateway ends this connection, and why.');

export const PortPageMessage = z.discriminatedUnion('type', [
  PortOffer, PortOpened, PortNotOpened, PortClosed, PortLost, PortCut, PortStalled, PortWrote, PortNotWritten, PortBeatAnswer,
]);
export type PortPageMessage = z.infer<typeof PortPageMessage>;
/** As a page may say it: what has a default may be left out. */
export type PortPageMessageSent = z.input<typeof PortPageMessage>;
export const PortGatewayMessage = z.discriminatedUnion('type', [PortAccepted, PortOpen, PortOpenUsb, PortClose, PortTook, PortBeat, PortRefused]);
export type PortGatewayMessage = z.infer<typeof PortGatewayMessage>;
/** How a port is opened: a serial line, or a USB device. */
export type PortHow = Pick<z.infer<typeof PortOpen>, 'type' | 'line'> | Pick<z.infer<typeof PortOpenUsb>, 'type' | 'usb'>;
