/** Every fault of the simulator's plan on every kind of port, seen at the other end by the link that opens it. */
import { describe, expect, it, onTestFinished } from 'vitest';
import { driverInput } from '../../daemon/commands/scenario-driver.ts';
import type { DriverEvent } from '../../drivers/api.ts';
import type { ByteLink, LinkEnd, OpenLink } from '../../drivers/links/link.ts';
import { findDriver } from '../../drivers/registry.ts';
import { systemClock } from '../../shared/clock.ts';
import { FaultPlan, FaultyPort, type FaultCounters, type RunningInstrument, type SimulatedPort } from '../../simulator/index.ts';
import { frameWriter } from '../../simulator/instruments/frame-format.ts';
import { Scenario } from '../../simulator/scenarios/schema.ts';
import { FAULT_PORTS, type FaultPort } from '../helpers/fault-ports.ts';
import { ManualClock } from '../helpers/manual-clock.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const LINES = 400;
const line = (i: number): string => `${i}.000\r\n`;
const END = '<over>\n';

interface Bench {
  readonly faulty: FaultyPort;
  readonly bare: SimulatedPort;
  /** Of the fault plan's timeline. */
  readonly clock: ManualClock;
  readonly open: OpenLink;
  readonly write: (text: string) => void;
}

async function bench({ make }: FaultPort, plan: object): Promise<Bench> {
  const { port: bare, open } = await make();
  const clock = new ManualClock();
  const faulty = new FaultyPort(bare, FaultPlan.parse(plan), clock, { delimiter: '\r\n' });
  onTestFinished(() => faulty.close());
  return { faulty, bare, clock, open, write: (text) => faulty.write(Buffer.from(text, 'latin1')) };
}

interface Listening {
  /** What came since the link was open. */
  text(): string;
  ended(): LinkEnd | null;
}

/** An open link whose port knows that it is open. */
async function listenTo({ bare, open }: Bench, hear?: (link: ByteLink) => void): Promise<Listening> {
  const signal = new AbortController().signal;
  let link: ByteLink | null = null;
  await waitUntil(async () => {
    link = await open({ clock: systemClock, signal }).catch(() => null);
    return link !== null;
  }, 'the link to open');
  const opened = link as unknown as ByteLink;
  onTestFinished(() => opened.close());
  let text = '';
  let end: LinkEnd | null = null;
  void opened.ended.then((reason) => (end = reason));
  const settle = async (): Promise<void> => {
    await waitUntil(() => {
      bare.write(Buffer.from('?'));
      return text.includes('?');
    }, 'the port to know that it is open');
    bare.write(Buffer.from(END));
    await waitUntil(() => text.endsWith(END), 'what was sent before');
  };
  if (hear) {
    hear(opened);
    return { text: () => '', ended: () => end };
  }
  opened.listen(({ data }) => { text += Buffer.from(data).toString('latin1'); });
  await settle();
  text = '';
  return { text: () => text, ended: () => end };
}

/** What came through when all that was sent went through the plan. */
async function through(row: FaultPort, plan: object): Promise<{ readonly got: string; readonly faults: FaultCounters }> {
  const made = await bench(row, plan);
  const listening = await listenTo(made);
  const before = made.bare.counters;
  for (let i = 0; i < LINES; i++) made.write(line(i));
  made.bare.write(Buffer.from(END));
  await waitUntil(() => listening.text().endsWith(END), 'the end of it');
  const { overrunBytes, unheardBytes } = made.bare.counters;
  expect([overrunBytes, unheardBytes]).toEqual([before.overrunBytes, before.unheardBytes]);
  const got = listening.text().slice(0, -END.length);
  const { faults } = made.faulty;
  expect(faults.inBytes).toBe(SENT.length);
  expect(faults.inBytes + faults.duplicatedBytes + faults.garbageBytes).toBe(faults.outBytes + faults.lostBytes + faults.stalledBytes + faults.heldBytes);
  expect(got.length).toBe(faults.outBytes);
  return { got, faults };
}

const SENT = Array.from({ length: LINES }, (_, i) => line(i)).join('');
const numbersIn = (text: string): number[] => text.split('\r\n').slice(0, -1).map(Number);
const share = (part: number): [number, number] => [part * LINES * 0.5, part * LINES * 1.5];

/** Each plan with what it must have done, from what came and what the counters say. */
const FAULTS: readonly { readonly name: string; readonly plan: object; readonly check: (got: string, faults: FaultCounters) => void }[] = [
  { name: 'nothing', plan: {}, check: (got) => expect(got).toBe(SENT) },
  { name: 'split', plan: { chunks: { splitShare: 0.5 } }, check: (got, { heldBytes }) => expect(got).toBe(SENT.slice(0, SENT.length - heldBytes)) },
  { name: 'merge', plan: { chunks: { mergeShare: 0.7 } }, check: (got, { heldBytes }) => expect(got).toBe(SENT.slice(0, SENT.length - heldBytes)) },
  {
    name: 'garbage', plan: { garbage: { share: 0.1, maxBytes: 20 } },
    check: (got, { garbageBytes }) => {
      expect(garbageBytes).toBeGreaterThan(LINES * 0.1);
      let at = 0;
      for (let i = 0; i < LINES; i++) {
        const found = got.indexOf(line(i), at);
        expect(found, line(i)).toBeGreaterThanOrEqual(at);
        at = found + line(i).length;
      }
    },
  },
  {
    name: 'turned bits', plan: { bits: { flippedShare: 0.2 } },
    check: (got, { flips }) => {
      const [least, most] = share(0.2);
      expect(flips).toBeGreaterThan(least);
      expect(flips).toBeLessThan(most);
      let bits = 0;
      for (let i = 0; i < SENT.length; i++) for (let odd = SENT.charCodeAt(i) ^ got.charCodeAt(i); odd > 0; odd &= odd - 1) bits++;
      expect(bits).toBe(flips);
    },
  },
  {
    name: 'lost lines', plan: { lines: { lostShare: 0.2 } },
    check: (got, { lostBytes }) => {
      const numbers = numbersIn(got);
      const missing = Array.from({ length: LINES }, (_, i) => i).filter((i) => !numbers.includes(i));
      expect(missing.length).toBeGreaterThan(share(0.2)[0]);
      expect(missing.map(line).join('').length).toBe(lostBytes);
      expect(numbers).toEqual([...numbers].sort((a, b) => a - b));
    },
  },
  {
    name: 'duplicated lines', plan: { lines: { duplicatedShare: 0.2 } },
    check: (got, { duplicatedBytes }) => {
      const numbers = numbersIn(got);
      const twice = numbers.filter((value, i) => value === numbers[i - 1]);
      expect(twice.length).toBeGreaterThan(share(0.2)[0]);
      expect(twice.map(line).join('').length).toBe(duplicatedBytes);
      expect([...new Set(numbers)]).toEqual(Array.from({ length: LINES }, (_, i) => i));
    },
  },
  {
    name: 'all of these', plan: { chunks: { splitShare: 0.3, mergeShare: 0.3 }, garbage: { share: 0.1 }, bits: { flippedShare: 0.1 }, lines: { lostShare: 0.1, duplicatedShare: 0.1 } },
    check: (_got, faults) => expect(Math.min(faults.lostBytes, faults.duplicatedBytes, faults.garbageBytes, faults.flips)).toBeGreaterThan(0),
  },
];

describe.each(FAULT_PORTS)('on $name', (row) => {
  it.each(FAULTS)('$name: what comes is what the counters say', async ({ plan, check }) => {
    const { got, faults } = await through(row, { seed: 5, ...plan });
    check(got, faults);
  });

  it('a stall: nothing of it comes, and all after it', async () => {
    const made = await bench(row, { timeline: [{ kind: 'stall', atS: 1, forS: 1 }] });
    const listening = await listenTo(made);
    made.write(line(1));
    made.clock.advance(1_500);
    for (let i = 0; i < 50; i++) made.write(line(2));
    made.clock.advance(1_000);
    made.write(line(3));
    made.bare.write(Buffer.from(END));
    await waitUntil(() => listening.text().endsWith(END), 'the end of it');
    expect(listening.text()).toBe(line(1) + line(3) + END);
    expect(made.faulty.faults).toMatchObject({ inBytes: 52 * line(1).length, outBytes: 2 * line(1).length, stalledBytes: 50 * line(2).length });
  });

  it('an unplugging: the link ends, what is sent is heard by nobody, and the next link hears what comes after', async () => {
    const made = await bench(row, { timeline: [{ kind: 'unplug', atS: 1, forS: 1 }] });
    const before = await listenTo(made);
    made.write(line(1));
    await waitUntil(() => before.text() === line(1), 'the line before');
    made.clock.advance(1_500);
    await waitUntil(() => before.ended() !== null && !made.faulty.isPluggedIn, 'the end of the link');
    expect(before.ended()).toMatchObject({ reason: 'lost', error: { code: 'LINK_LOST' } });
    expect(made.faulty.faults.unplugs).toBe(1);
    const unheard = made.bare.counters.unheardBytes;
    made.write(line(2));
    expect(made.bare.counters.unheardBytes - unheard).toBe(line(2).length);
    made.clock.advance(1_000);
    await waitUntil(() => made.faulty.isPluggedIn, 'the port to come back');
    const after = await listenTo(made);
    made.write(line(3));
    await waitUntil(() => after.text() === line(3), 'the line after');
    expect(before.text()).toBe(line(1));
  });

  it.each(['sync', 'cobs', 'slip'])('frames (%s) with a checksum: of what was spoilt on the way no value comes, and every other one', async (framing) => {
    const lines = framing === 'sync' ? {} : { lostShare: 0.03, duplicatedShare: 0.03 };
    const made = await bench(row, {});
    const plan = Scenario.parse({
      title: 'Frames', instruments: [{
        id: 'frames', title: 'Frames', kind: 'frames', frames: { framing, type: 'i32', scale: 1, counter: 'u16', checksum: 'CRC-32/ISO-HDLC' },
        channels: [{ title: 'A', transducer: { serialNumber: 'HF-T60-0001', capacityNm: 60 }, tool: { kind: 'none' }, suggested: { mode: 'track', target: 1, low: 1, high: 1 } }],
      }],
    }).instruments[0]!;
    const { id, options } = driverInput({ plan, channels: plan.channels } as unknown as RunningInstrument);
    const driver = findDriver(id);
    const faulty = new FaultyPort(made.bare, FaultPlan.parse({
      seed: 9, lines, chunks: { splitShare: 0.3, mergeShare: 0.2 }, garbage: { share: 0.05, maxBytes: 40 }, bits: { flippedShare: 0.1 },
    }), made.clock, { delimiter: framing === 'sync' ? null : framing === 'cobs' ? '\0' : '\xc0' });
    const events: DriverEvent[] = [];
    await listenTo(made, (link) => {
      const session = driver.createSession({ options: driver.optionsSchema.parse(options), link, clock: systemClock, signal: new AbortController().signal });
      session.events$.subscribe((event) => events.push(event));
      void session.start();
    });
    const write = frameWriter(plan.frames, 1);
    const frame = (i: number): Uint8Array => write(Float64Array.of(1_000 + i), { counter: i, channel: 0, isOverloaded: false });
    const values = (): number[] => events.flatMap((event) => (event.kind === 'values' ? [...event.values] : []));
    await waitUntil(() => {
      made.bare.write(frame(0));
      return values().length > 0;
    }, 'the first value');
    const FRAMES = 2_000;
    for (let i = 1; i <= FRAMES; i++) faulty.write(frame(i));
    for (let i = 1; i <= 3; i++) made.bare.write(frame(FRAMES + i));
    await waitUntil(() => values().includes(1_000 + FRAMES + 3), 'the last value');
    // No value that was not sent, and none out of turn.
    expect(values().filter((value) => !Number.isInteger(value) || value < 1_000 || value > 1_003 + FRAMES)).toEqual([]);
    expect(values()).toEqual([...values()].sort((a, b) => a - b));
    const came = values().filter((value) => value > 1_000 && value <= 1_000 + FRAMES);
    // One frame in ten has a turned bit, and with lines 3 % are lost; the rest is there.
    const spoilt = faulty.faults.flips + FRAMES * (framing === 'sync' ? 0 : 0.06);
    expect(new Set(came).size).toBeLessThanOrEqual(FRAMES - faulty.faults.flips * 0.9);
    expect(new Set(came).size).toBeGreaterThan(FRAMES - spoilt * 2);
    // What is missing is told.
    const missing = events.reduce((sum, event) => sum + (event.kind === 'fault' ? event.missing : 0), 0);
    expect(missing).toBeGreaterThan(0);
  });
});
