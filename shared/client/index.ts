/** `torsiond/client`: a gateway's events and commands, typed, in Node and browsers. */
export { connect, TorsiondClient } from './client.ts';
export type {
  ChannelChange, ChannelSamples, ClientEvents, ClientOptions, ClientTiming, Interest, LostConnection,
} from './options.ts';
export {
  forwardPort, PortForwarder, type PortForwarderCommon, type PortForwarderCounters, type PortForwarderOptions, type PortForwarderState, type PortGiven,
} from './port-forwarder.ts';
export { serialPortName, type SerialLike, type SerialPortInfo, type SerialPortLike } from './web-serial.ts';
export { isWantedUsbDevice, usbDeviceName, type UsbDeviceAtPage, type UsbFilter, type UsbLike } from './web-usb.ts';
export type { UsbDeviceShape } from '../usb-shapes.ts';
export type { PortUsbDevice } from '../wire/port-messages.ts';
export type { MessageSchema } from './messages.ts';
export type { SocketConstructor, SocketLike } from './socket.ts';
export { TorsiondError, type ErrorCode } from '../errors.ts';
export type { Reading, Verdict, InterruptedCycle } from '../reading.ts';
export type { ChannelInfo, HelloMessage, InstrumentInfo, ScannerInfo, ServerMessage } from '../wire/events.ts';
