/** The public entry `torsiond/driver`: all that a driver author needs. */
export {
  DRIVER_API_VERSION, defineDriver, deliveryOf,
  type DataSheetImage, type Delivery, type DriverCapabilities, type DriverContext, type DriverCounters, type DriverDefinition, type DriverEvent,
  type DriverSession, type InstrumentCommand, type InstrumentIdentity,
} from './api.ts';
export { BUILT_IN_DRIVERS, findDriver } from './registry.ts';
export { type AskNote, type AskNotes, type ByteChunk, type ByteLink, type LinkContext, type LinkEnd, type OpenLink } from './links/link.ts';
export { createMemoryLink, type MemoryFarEnd } from './links/memory-link.ts';
export { openReplayLink, type ReplayLink, type ReplayOptions } from './links/replay-link.ts';
export { openSerialLink } from './links/serial-link.ts';
export { type SerialLinkOptions } from './links/serial-options.ts';
export { openTcpLink, type TcpLinkOptions } from './links/tcp-link.ts';
export { openUsbLink, type UsbLinkOptions } from './links/usb-link.ts';
export { type UsbDeviceShape, type UsbSource } from '../shared/usb-shapes.ts';
export { openHidLink, type HidLinkOptions } from './links/hid-link.ts';
export { type HidDeviceShape, type HidSource } from './links/hid-shapes.ts';
export { systemDeviceSources, type DeviceSources } from './links/device-sources.ts';
export { listSerialPorts, type SerialPortEntry, type SerialPortList } from './links/serial-ports.ts';
export { type FrameSink, type Framer } from './framing/framer.ts';
export { LineFramer, type LineFramerOptions } from './framing/line-framer.ts';
export { type FrameCheck } from './framing/framer.ts';
export { COBS } from './framing/cobs.ts';
export { SLIP } from './framing/slip.ts';
export { DelimitedFramer, type DelimitedFramerOptions, type FrameCode, type FrameDecoder } from './framing/delimited-framer.ts';
export { SyncFramer, type FrameLength, type SyncFramerOptions } from './framing/sync-framer.ts';
export { CHECKSUM_NAMES, checksum, type Checksum, type ChecksumName } from './framing/checksum.ts';
export { RunCollector } from './values/run-collector.ts';
export { StreamedSession, type StreamedSessionOptions } from './values/streamed-session.ts';
export { stopOnce, zeroCommand, type StoppableSession } from './values/session-parts.ts';
export { asciiLines } from './protocols/ascii-lines/driver.ts';
export { AsciiLinesOptions } from './protocols/ascii-lines/options.ts';
export { framedBinary } from './protocols/framed-binary/driver.ts';
export { FramedBinaryOptions } from './protocols/framed-binary/options.ts';
export { rawCounts } from './protocols/raw-counts/driver.ts';
export { RawCountsOptions } from './protocols/raw-counts/options.ts';
export { decodeTeds, type BridgeTemplate, type Teds, type TedsOptions } from './teds/decode.ts';
export { readMemoryNumber, type MemoryNumber } from './teds/memory.ts';
export { transducerFromTeds, type TedsTransducer } from './teds/transducer.ts';
export { scpi } from './protocols/scpi/driver.ts';
export { ScpiOptions } from './protocols/scpi/options.ts';
export { modbusRtu, modbusTcp } from './protocols/modbus/driver.ts';
export { ModbusRtuOptions, ModbusTcpOptions } from './protocols/modbus/options.ts';
export { Exchange, type ExchangeOptions, type Outcome, type Question } from './exchange/exchange.ts';
export { PollLoop, type InputSelection, type PollLoopOptions, type PollStep } from './exchange/poll-loop.ts';
export { PolledSession, type PolledSessionOptions } from './exchange/polled-session.ts';
export { AnswerLines, type AnswerLinesOptions } from './exchange/answer-lines.ts';
export { pollSchema, selectionSchema } from './exchange/poll-options.ts';
export { systemClock, type Clock } from '../shared/clock.ts';
export { TorsiondError, type ErrorCode } from '../shared/errors.ts';
export { STATUS } from '../shared/sample-block.ts';
/** The same copies as the gateway's, so that a driver package needs none of its own. */
export { Subject } from 'rxjs';
export * as z from 'zod';
