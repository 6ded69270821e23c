/** A virtual code scanner, pedal or button box: sends a text now and then, and hears nothing. */
import type { Clock } from '../../shared/clock.ts';
import type { SimulatedPort } from '../ports/port.ts';
import type { SeededRandom } from '../random.ts';
import type { SimulatedScanner } from '../scenarios/schema.ts';
import type { InstrumentCounters, VirtualInstrument } from './virtual-instrument.ts';

export interface ScannerParts {
  readonly port: SimulatedPort;
  readonly clock: Clock;
  readonly random: SeededRandom;
}

export class VirtualScanner implements VirtualInstrument {
  readonly #plan: SimulatedScanner;
  readonly #parts: ScannerParts;
  readonly #encoder = new TextEncoder();
  #cancels: (() => void)[] = [];
  #cancelNext: () => void = () => {};
  #isOn = false;
  #sent = 0;

  constructor(plan: SimulatedScanner, parts: ScannerParts) {
    this.#plan = plan;
    this.#parts = parts;
  }

  get counters(): InstrumentCounters {
    return { messages: this.#sent, lateSamples: 0, commands: 0 };
  }

  switchOn(): void {
    this.switchOff();
    this.#isOn = true;
    const { codes, firstS, plan } = this.#plan;
    if (codes.length > 0) this.#schedule(0, firstS);
    this.#cancels = plan.map(({ atS, text }) => this.#parts.clock.after(atS * 1_000, () => this.send(text)));
  }

  switchOff(): void {
    this.#isOn = false;
    this.#cancelNext();
    for (const cancel of this.#cancels) cancel();
    this.#cancels = [];
  }

  /** As if the code were held before it now, or the pedal pressed. @returns whether it is switched on */
  send(text: string): boolean {
    if (!this.#isOn) return false;
    const { prefix, suffix, delimiter } = this.#plan;
    this.#parts.port.write(this.#encoder.encode(prefix + text + suffix + delimiter));
    this.#sent++;
    return true;
  }

  #schedule(index: number, waitS: number): void {
    const { codes, pauseS, rounds } = this.#plan;
    if (rounds !== null && index >= rounds * codes.length) return;
    this.#cancelNext = this.#parts.clock.after(waitS * 1_000, () => {
      this.send(codes[index % codes.length]!);
      this.#schedule(index + 1, this.#parts.random.between(...pauseS));
    });
  }
}
