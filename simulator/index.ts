/** Virtual instruments for demonstrations and tests: `torsiond/simulator`. */
export { listScenarios, loadScenario, parseScenario } from './scenarios/load.ts';
export { Scenario } from './scenarios/schema.ts';
export { startScenario, type RunningChannel, type RunningInstrument, type RunningScenario, type StartScenarioOptions } from './run-scenario.ts';
export type { InstrumentCounters, TorqueSource } from './instruments/virtual-instrument.ts';
export { framePlaces, type FrameFormat } from './instruments/frame-format.ts';
export { rangeOf, type ModbusFormat } from './instruments/modbus-format.ts';
export { openPort, type OpenPortOptions } from './ports/open-port.ts';
export { openPtyPort, PtyPort, type PtyPortOptions } from './ports/pty-port.ts';
export { openRfc2217Port, Rfc2217Port, type Rfc2217PortOptions } from './ports/rfc2217-port.ts';
export { openTcpPort, TcpPort, type TcpPortOptions } from './ports/tcp-port.ts';
export { openUsbPort, UsbPort, type UsbPortOptions } from './ports/usb-port.ts';
export { openHidPort, HidPort, type HidPortOptions } from './ports/hid-port.ts';
export { HidBus, SimulatedHidDevice, type HidListEntry } from './ports/hid-bus.ts';
export { UsbBus, type UsbConnectionEvent } from './ports/usb-bus.ts';
export { SimulatedUsbDevice, type UsbEndpoint, type UsbInterface } from './ports/usb-device.ts';
export { addressText, MAX_BACKLOG_BYTES, type PortAddress, type PortCounters, type SimulatedPort, type UsbPortAddress } from './ports/port.ts';
export { FaultPlan } from './faults/fault-plan.ts';
export { FaultyPort, type FaultCounters, type FaultyPortOptions } from './faults/faulty-port.ts';
