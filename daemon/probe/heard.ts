/** What was heard on a port: bytes and when they came. */

export interface HeardBytes {
  readonly data: Uint8Array;
  /** When listening began, as `arrivals`; left out: not known. */
  readonly beganMs?: number;
  /** One per chunk, in order: where it begins in `data`, and its monotonic arrival, ms. */
  readonly arrivals: readonly { readonly at: number; readonly atMs: number }[];
}

/** How certain a proposal is: 0 is nothing, 1 is everything fits. */
export function surenessWord(sureness: number): 'sure' | 'likely' | 'a guess' {
  return sureness >= 0.9 ? 'sure' : sureness >= 0.7 ? 'likely' : 'a guess';
}

export type Analysis =
  | { readonly kind: 'silence'; readonly reasons: readonly string[] }
  | ProposedAnalysis
  /** A repeating structure without text; what the bytes mean cannot be told. */
  | {
      readonly kind: 'binary';
      readonly reasons: readonly string[];
      /** Length that repeats, bytes. */
      readonly frameBytes: number;
      /** Places of the frame that hold the same byte in every frame; the first place is not known to be the frame's beginning. */
      readonly constantBytes: readonly { readonly offset: number; readonly value: number }[];
    }
  | { readonly kind: 'unknown'; readonly reasons: readonly string[] };

/** What settings can be made of. */
export type ProposedAnalysis = LinesAnalysis | FramesAnalysis | ScpiAnalysis | ModbusAnalysis | CodesAnalysis;

interface Proposed {
  /** 0 to 1. */
  readonly sureness: number;
  /** What speaks for it. */
  readonly reasons: readonly string[];
  /** What could not be told and must be looked at by a person. */
  readonly doubts: readonly string[];
  /** A piece of what was heard. */
  readonly example: string;
}

/** Binary frames, proven by a checksum or a counter. */
export interface FramesAnalysis extends Proposed {
  readonly kind: 'frames';
  /** Of the driver `framed-binary`. */
  readonly options: Readonly<Record<string, unknown>>;
  readonly units: readonly null[];
  /** Samples of each channel per second, measured; null: too short to say. */
  readonly measuredRateHz: number | null;
  readonly sampleRateHz: number | null;
  readonly largest: number;
}

/** A device that says who it is when it is asked by `*IDN?`, and sends nothing by itself. */
export interface ScpiAnalysis extends Proposed {
  readonly kind: 'scpi';
  /** Of the driver `scpi`. */
  readonly options: Readonly<Record<string, unknown>>;
  readonly channels: number;
  readonly identity: { readonly maker: string; readonly model: string; readonly serialNumber: string };
}

export interface ModbusAnalysis extends Proposed {
  readonly kind: 'modbus';
  readonly transport: 'rtu' | 'tcp';
  /** Units that answered, and with what. */
  readonly units: readonly ModbusUnit[];
  readonly parity: 'none' | 'even';
}

export interface ModbusUnit {
  readonly unit: number;
  readonly function: 3 | 4;
  /** null: register 0 was read. */
  readonly exception: number | null;
}

/** Short texts now and then: a code scanner or a switch box. */
export interface CodesAnalysis extends Proposed {
  readonly kind: 'codes';
  readonly delimiter: string;
  readonly dataBits: 7 | 8;
  readonly parity: 'none' | 'even' | 'odd';
}

export interface LinesAnalysis extends Proposed {
  readonly kind: 'lines';
  /** How the device is asked; null: it sends by itself. */
  readonly asked: { readonly request: string; readonly rateHz: number } | null;
  /** Of the driver `ascii-lines`; only what differs from its defaults. */
  readonly options: Readonly<Record<string, unknown>>;
  /** Per channel the UCUM code that the lines name, or null. */
  readonly units: readonly (string | null)[];
  /** Lines per second, measured; null: too short to say. */
  readonly measuredRateHz: number | null;
  /** The rate that was probably meant, where it is a round one. */
  readonly sampleRateHz: number | null;
  /** How characters are framed on the wire, as far as the bytes heard with 8 data bits without parity show it. */
  readonly dataBits: 7 | 8;
  readonly parity: 'none' | 'even' | 'odd';
  /** Largest magnitude that was seen, in the device's unit. */
  readonly largest: number;
}
