/** What was heard on a port: bytes and when they came. */

export interface HeardBytes {
  readonly data: Uint8Array;
  /** One per chunk, in order: where it begins in `data`, and its monotonic arrival, ms. */
  readonly arrivals: readonly { readonly at: number; readonly atMs: number }[];
}

/** How certain a proposal is: 0 is nothing, 1 is everything fits. */
export function surenessWord(sureness: number): 'sure' | 'likely' | 'a guess' {
  return sureness >= 0.9 ? 'sure' : sureness >= 0.7 ? 'likely' : 'a guess';
}

export type Analysis =
  | { readonly kind: 'silence'; readonly reasons: readonly string[] }
  | LinesAnalysis
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

export interface LinesAnalysis {
  readonly kind: 'lines';
  /** 0 to 1. */
  readonly sureness: number;
  /** What speaks for it. */
  readonly reasons: readonly string[];
  /** What could not be told and must be looked at by a person. */
  readonly doubts: readonly string[];
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
  /** One whole line, without its ending. */
  readonly example: string;
  /** Largest magnitude that was seen, in the device's unit. */
  readonly largest: number;
}
