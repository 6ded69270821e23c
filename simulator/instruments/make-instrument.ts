/** The virtual instrument that a scenario describes, by its kind. */
import type { SimulatedInstrument } from '../scenarios/schema.ts';
import { dataSheetImage } from './data-sheet.ts';
import { FrameInstrument } from './frame-instrument.ts';
import { LineInstrument } from './line-instrument.ts';
import { ModbusInstrument } from './modbus-instrument.ts';
import { ScpiInstrument } from './scpi-instrument.ts';
import type { InstrumentParts, VirtualInstrument } from './virtual-instrument.ts';

export function makeInstrument(plan: SimulatedInstrument, parts: InstrumentParts): VirtualInstrument {
  const { pace, startsByItself, selector } = plan;
  const image = imageOf(plan);
  const dataSheet = image === null ? {} : { dataSheet: image };
  switch (plan.kind) {
    case 'lines': return new LineInstrument({ ...parts, ...dataSheet, pace, startsByItself, selector, format: plan.format, commands: plan.commands });
    case 'frames': return new FrameInstrument({ ...parts, ...dataSheet, pace, startsByItself, format: plan.frames });
    case 'scpi': return new ScpiInstrument({ ...parts, ...dataSheet, selector, format: plan.scpi });
    case 'modbus': return new ModbusInstrument({ ...parts, format: plan.modbus! });
  }
}

/** The memory of the first channel's transducer; null when it has none. */
export function imageOf(plan: SimulatedInstrument): Uint8Array | null {
  const [{ transducer }] = plan.channels as [SimulatedInstrument['channels'][number]];
  const { bridge, dataSheet } = transducer;
  if (!bridge || !dataSheet) return null;
  return dataSheetImage({ ...dataSheet, capacity: transducer.capacityNm, sensitivity: bridge.sensitivity, zeroBalance: bridge.zeroBalance });
}

/** Ends a message on the wire, for faults of whole lines; null where nothing does. */
export function endOfMessage(plan: SimulatedInstrument): string | null {
  switch (plan.kind) {
    case 'lines': return plan.format.delimiter;
    case 'scpi': return plan.scpi.terminator;
    case 'frames': return { cobs: '\0', slip: '\xc0', sync: null }[plan.frames.framing];
    case 'modbus': return null;
  }
}
