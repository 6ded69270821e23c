/** Instruments whose torque stands in Modbus registers: on a serial bus, or behind TCP. */
import type { Observable } from 'rxjs';
import { LARGEST_VALUE } from '../../../shared/sample-block.ts';
import { TorsiondError } from '../../../shared/errors.ts';
import {
  DRIVER_API_VERSION, defineDriver,
  type DriverContext, type DriverCounters, type DriverEvent, type DriverSession, type InstrumentCommand,
} from '../../api.ts';
import type { Outcome, Question } from '../../exchange/exchange.ts';
import type { PollStep } from '../../exchange/poll-loop.ts';
import { PolledSession } from '../../exchange/polled-session.ts';
import type { ByteChunk } from '../../links/link.ts';
import { zeroCommand } from '../../values/session-parts.ts';
import { AnswerFramer } from './answer-framer.ts';
import {
  confirmsWrite, exceptionText, lookForMbapAnswer, lookForRtuAnswer, mbapFrame, rtuFrame, writeRequest,
  type Answer, type LookForAnswer, type Request,
} from './codec.ts';
import { ModbusRtuOptions, ModbusTcpOptions } from './options.ts';
import { planReads, readRegisters, type RegisterBlock } from './register-map.ts';

/** How requests travel. */
interface Transport {
  frame(transaction: number, request: Request): Uint8Array;
  /** Bytes at the beginning of a frame that number it. */
  readonly numberBytes: 0 | 2;
  readonly look: LookForAnswer;
  readonly pauseMs: number;
}

type Options = ModbusTcpOptions;
type Write = NonNullable<Options['commands']['zero']>;

const capabilities = { delivery: 'polled', identifies: false, commands: ['zero'] } as const;

export const modbusRtu = defineDriver<ModbusRtuOptions>({
  apiVersion: DRIVER_API_VERSION,
  id: 'modbus-rtu',
  title: 'Modbus RTU',
  optionsSchema: ModbusRtuOptions,
  capabilities,
  channelCount: (options) => options.channels.length,
  dataSheetChannels: () => [],
  sampleRateHz: (options) => options.poll.rateHz ?? null,
  createSession: (context) => new ModbusSession(context, {
    frame: (_, request) => rtuFrame(request.unit, request.pdu), look: lookForRtuAnswer, numberBytes: 0, pauseMs: context.options.pauseMs,
  }),
});

export const modbusTcp = defineDriver<ModbusTcpOptions>({
  apiVersion: DRIVER_API_VERSION,
  id: 'modbus-tcp',
  title: 'Modbus TCP',
  optionsSchema: ModbusTcpOptions,
  capabilities,
  channelCount: (options) => options.channels.length,
  dataSheetChannels: () => [],
  sampleRateHz: (options) => options.poll.rateHz ?? null,
  createSession: (context) => new ModbusSession(context, {
    frame: (transaction, request) => mbapFrame(transaction, request.unit, request.pdu), look: lookForMbapAnswer, numberBytes: 2, pauseMs: 0,
  }),
});

class ModbusSession implements DriverSession {
  readonly events$: Observable<DriverEvent>;
  readonly #context: DriverContext<Options>;
  readonly #transport: Transport;
  readonly #framer: AnswerFramer;
  readonly #blocks: readonly RegisterBlock[];
  readonly #session: PolledSession<Answer>;
  readonly #stop: () => Promise<void>;
  #transaction = 0;
  #frames = 0;

  constructor(context: DriverContext<Options>, transport: Transport) {
    const { options } = context;
    this.#context = context;
    this.#transport = transport;
    this.#framer = new AnswerFramer(transport.look);
    this.#blocks = planReads(options.channels, options.mergeGap);
    this.#session = new PolledSession<Answer>({
      context, channels: options.channels.length, poll: { ...options.poll, pauseMs: transport.pauseMs },
      steps: this.#blocks.map((block) => this.#step(block)),
      hear: (chunk) => this.#hear(chunk),
      isMidFrame: () => false,
      onFinish: () => this.#framer.reset(),
    });
    this.events$ = this.#session.events$;
    const { stop } = options.commands;
    this.#stop = this.#session.stopOnce(() => (stop ? transport.frame(this.#nextTransaction(), requestOf(stop)) : undefined));
  }

  async start(): Promise<null> {
    const session = this.#session;
    session.begin();
    try {
      await this.#findSomebody();
      const { start } = this.#context.options.commands;
      if (start) await this.#write(start);
      session.assertWanted();
      session.loop.start();
      return null;
    } catch (thrown) {
      throw session.startFault(thrown);
    }
  }

  async command(command: InstrumentCommand): Promise<void> {
    this.#session.assertRunning();
    if (command.kind !== 'zero') throw new TorsiondError('COMMAND_UNSUPPORTED', 'Modbus knows no free text', { where: this.#session.where });
    await this.#write(zeroCommand(this.#context.options.commands.zero, this.#session.where));
  }

  stop(): Promise<void> {
    return this.#stop();
  }

  counters(): DriverCounters {
    return { frames: this.#frames, faults: this.#session.faults, discardedBytes: this.#framer.discardedBytes };
  }

  #hear(chunk: ByteChunk): void {
    const { exchange } = this.#session;
    exchange.heard(chunk.atMs);
    const found = this.#framer.push(chunk.data);
    if (found === null) return;
    if (found === 'damaged') {
      exchange.fail(new TorsiondError('FRAME_CHECKSUM', 'an answer with a wrong checksum', { where: this.#session.where }));
      return;
    }
    this.#frames++;
    exchange.offer(found, chunk.atMs);
  }

  /** One of the units must answer, if only to refuse: else there is no bus, or its settings are wrong. */
  async #findSomebody(): Promise<void> {
    let last: unknown;
    for (const { request } of this.#blocks) {
      try {
        await this.#session.loop.ask(this.#question(request));
        return;
      } catch (thrown) {
        this.#session.assertWanted();
        last = thrown;
      }
    }
    throw last;
  }

  async #write(write: Write): Promise<void> {
    const request = requestOf(write);
    const answer = await this.#session.loop.ask(this.#question(request));
    const { where } = this.#session;
    if (answer.exception !== null) throw new TorsiondError('DEVICE_ERROR', `${request.name}: ${exceptionText(answer.exception)}`, { where });
    if (!confirmsWrite(request, answer)) throw new TorsiondError('DEVICE_ERROR', `${request.name}: the device confirms something else`, { where });
  }

  #step(block: RegisterBlock): PollStep<Answer> {
    const channels = block.channels.map(({ channel }) => channel).sort((a, b) => a - b);
    return {
      question: () => this.#question(block.request),
      take: (outcome) => this.#take(block, channels, outcome),
      skip: (missing, error) => this.#session.fault(channels, error.code, `unit ${block.request.unit} ${error.message}`, missing),
    };
  }

  #take(block: RegisterBlock, channels: readonly number[], outcome: Outcome<Answer>): boolean {
    const session = this.#session;
    if (outcome.kind === 'failed') {
      const heard = this.#framer.heardBytes;
      const more = heard > 0 && outcome.error.code === 'DEVICE_TIMEOUT' ? `; ${heard} bytes came that are none: another unit or function, or damaged` : '';
      session.fault(channels, outcome.error.code, outcome.error.message + more, 1, outcome.atMs);
      this.#framer.reset();
      return false;
    }
    const { exception, pdu } = outcome.frame;
    if (exception !== null) {
      session.fault(channels, 'DEVICE_ERROR', `${block.request.name}: ${exceptionText(exception)}`, 1, outcome.atMs);
      return true;
    }
    const { options } = this.#context;
    session.tell(outcome.atMs, (runs) => {
      for (const { channel, offset } of block.channels) {
        const map = options.channels[channel]!;
        const raw = readRegisters(pdu, 2 + offset, map.type, map.order);
        const value = raw * map.scale + map.offset;
        if (map.overload.includes(raw) || Math.abs(raw) === Infinity) runs.fault(channel, 'VALUE_OVERLOAD', `the device reports overload (${raw})`);
        else if (!(Math.abs(value) <= LARGEST_VALUE)) runs.fault(channel, 'VALUE_NOT_FINITE', `register ${map.address} holds ${raw}, which is no torque`);
        else runs.value(channel, value, null, 0);
      }
    });
    return true;
  }

  #question(request: Request): Question<Answer> {
    const { numberBytes } = this.#transport;
    const bytes = this.#transport.frame(this.#nextTransaction(), request);
    return {
      bytes,
      name: request.name,
      timeoutMs: this.#context.options.poll.timeoutMs,
      // The framer lets nothing through that is not the answer.
      accepts: () => true,
      onAsk: (sent) => this.#framer.expect(request, numberBytes === 0 ? 0 : (sent[0]! << 8) | sent[1]!),
      isSame: (sent) => Buffer.compare(bytes.subarray(numberBytes), sent.subarray(numberBytes)) === 0,
    };
  }

  #nextTransaction(): number {
    this.#transaction = (this.#transaction + 1) & 0xffff;
    return this.#transaction;
  }
}

function requestOf(write: Write): Request {
  return writeRequest(write.unit, write.function, write.address, write.values);
}
