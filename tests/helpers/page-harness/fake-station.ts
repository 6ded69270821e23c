/**
 * A station for the page alone: speaks the wire schema over node:http and ws, keeps its readings in memory, and does
 * what the test tells it. It measures nothing.
 */
import { readFile } from 'node:fs/promises';
import { createServer, type IncomingMessage, type Server, type ServerResponse } from 'node:http';
import type { AddressInfo } from 'node:net';
import { extname, join } from 'node:path';
import { WebSocketServer, type WebSocket } from 'ws';
import { CaptureSettings } from '../../../shared/capture-settings.ts';
import type { Reading, Verdict } from '../../../shared/reading.ts';
import { convertTorque } from '../../../shared/units.ts';
import { ClientMessage } from '../../../shared/wire/commands.ts';
import { ServerMessage, type ChannelInfo, type InstrumentInfo, type ScannerInfo } from '../../../shared/wire/events.ts';
import type { Pull } from './pulls.ts';

const TYPES: Record<string, string> = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript', '.css': 'text/css', '.svg': 'image/svg+xml' };
/** As strict as the gateway's own, so that the page is known to work under it. */
const POLICY = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

export interface StationOptions {
  readonly pageDirectory: string;
  /** 0: any free one. */
  readonly port?: number;
  readonly token?: string;
  /** Whether the page is given the token, as the gateway does on its own machine. */
  readonly givesToken?: boolean;
  readonly instruments: readonly InstrumentInfo[];
  readonly channels: readonly ChannelInfo[];
  readonly scanners?: readonly ScannerInfo[];
  readonly scope?: 'read' | 'operate' | 'configure';
  /** Readings of an earlier run of the same station. */
  readonly before?: FakeStation;
}

export class FakeStation {
  readonly options: StationOptions;
  readonly token: string;
  readonly stored: Reading[] = [];
  readonly commands: ClientMessage[] = [];
  readonly channels = new Map<string, ChannelInfo>();
  /** Answers a command with a refusal when it returns one. */
  refuse: (message: ClientMessage) => { code: string; message: string; hint: string } | null = () => null;
  readonly #pulls = new Map<string, Pull>();
  readonly #server: Server;
  readonly #sockets: WebSocketServer;

  private constructor(options: StationOptions) {
    this.options = options;
    this.token = options.token ?? 'an-invented-token';
    for (const channel of options.channels) this.channels.set(channel.id, channel);
    if (options.before) {
      this.stored.push(...options.before.stored);
      for (const [id, pull] of options.before.#pulls) this.#pulls.set(id, pull);
    }
    this.#server = createServer((request, response) => void this.#answer(request, response));
    this.#sockets = new WebSocketServer({
      noServer: true, handleProtocols: (offered) => (offered.has('torsiond.v1') ? 'torsiond.v1' : false), perMessageDeflate: false,
    });
    this.#server.on('upgrade', (request, socket, head) => {
      const offered = request.headers['sec-websocket-protocol'] ?? '';
      if (!offered.includes(`torsiond.token.${this.token}`)) {
        socket.end('HTTP/1.1 401 Unauthorized\r\nConnection: close\r\n\r\n');
        return;
      }
      this.#sockets.handleUpgrade(request, socket, head, (client) => this.#greet(client));
    });
  }

  static async start(options: StationOptions): Promise<FakeStation> {
    const station = new FakeStation(options);
    await new Promise<void>((resolve, reject) => {
      station.#server.once('error', reject);
      station.#server.listen(options.port ?? 0, '127.0.0.1', resolve);
    });
    return station;
  }

  get port(): number {
    return (this.#server.address() as AddressInfo).port;
  }

  get url(): string {
    return `http://127.0.0.1:${this.port}/`;
  }

  get clientCount(): number {
    return this.#sockets.clients.size;
  }

  /** Every message is checked against the wire schema, so that the page is never tried with a shape that does not exist. */
  send(message: object): void {
    const text = JSON.stringify(ServerMessage.parse(message));
    for (const client of this.#sockets.clients) client.send(text);
  }

  live(channel: string, minMax: readonly number[], spacingMs: number, startMs: number): void {
    const unit = this.channels.get(channel)!.settings.unit;
    this.send({ type: 'channel.live', at: iso(startMs), channel, unit, value: minMax.at(-1) ?? 0, startAt: iso(startMs), spacingMs, minMax });
  }

  setState(channel: string, state: ChannelInfo['state']): void {
    const info = { ...this.channels.get(channel)!, state };
    this.channels.set(channel, info);
    this.send({ type: 'channel.state', at: iso(0), channel: info });
  }

  setInstrument(instrument: InstrumentInfo): void {
    this.send({ type: 'instrument.state', at: iso(0), instrument });
  }

  setScanner(scanner: ScannerInfo): void {
    this.send({ type: 'scanner.state', at: iso(0), scanner });
  }

  scanSeen(code: string, source: string): void {
    this.send({ type: 'scan.seen', at: iso(0), code, source });
  }

  /** A cycle ended: its reading is stored and announced. */
  store(channel: string, pull: Pull, changes: Partial<Reading> = {}): Reading {
    const info = this.channels.get(channel)!;
    const { settings } = info;
    const limits = settings.limits;
    const low = limits.kind === 'absolute' ? limits.low : limits.kind === 'percent' ? limits.target * (1 - limits.minus / 100) : null;
    const high = limits.kind === 'absolute' ? limits.high : limits.kind === 'percent' ? limits.target * (1 + limits.plus / 100) : null;
    const seq = this.stored.length + 1;
    const magnitude = Math.abs(pull.value);
    const verdict: Verdict = low === null || high === null ? 'none' : magnitude < low ? 'low' : magnitude > high ? 'high' : 'within';
    const reading: Reading = {
      type: 'reading', id: `reading-${seq}`, seq, source: null, channel, epoch: 1, mode: settings.mode, value: pull.value, unit: settings.unit,
      direction: pull.value < 0 ? 'ccw' : 'cw', maximum: pull.maximum, ...(settings.mode === 'first-peak' ? { click: true } : {}),
      startedAt: iso(Date.UTC(2026, 10, 25, 8) + seq * 37_000), durationMs: pull.durationMs, target: limits.kind === 'none' ? null : limits.target, low, high, verdict,
      uncertainty: null, sampleRateHz: pull.rateHz, cutoffHz: settings.filter.kind === 'butterworth' ? settings.filter.cutoffHz : null,
      flags: [], traceId: `trace-${seq}`, ...changes,
    };
    this.stored.push(reading);
    this.#pulls.set(reading.id, pull);
    this.send({ type: 'reading.stored', at: reading.startedAt, seq, reading });
    return reading;
  }

  /** Idempotent. */
  async close(): Promise<void> {
    if (!this.#server.listening) return;
    for (const client of this.#sockets.clients) client.terminate();
    this.#sockets.close();
    this.#server.closeAllConnections();
    await new Promise((resolve) => this.#server.close(resolve));
  }

  #greet(client: WebSocket): void {
    client.on('error', () => client.terminate());
    client.on('message', (data: Buffer) => {
      const message = ClientMessage.parse(JSON.parse(data.toString('utf8')));
      if (message.type !== 'subscribe' && message.type !== 'ping') this.commands.push(message);
      const refusal = this.refuse(message);
      client.send(JSON.stringify(ServerMessage.parse(refusal ? { type: 'refused', id: message.id, ...refusal } : { type: 'ok', id: message.id })));
      if (message.type !== 'subscribe') return;
      for (const reading of this.stored.slice(message.since ?? this.stored.length)) {
        client.send(JSON.stringify({ type: 'reading.stored', at: reading.startedAt, seq: reading.seq, reading }));
      }
    });
    client.send(JSON.stringify(ServerMessage.parse({
      type: 'hello', at: iso(0), station: 'Hollin & Fenn, bench 3', version: '0.1.0', protocol: 'torsiond.v1', instruments: this.options.instruments,
      channels: [...this.channels.values()], ...(this.options.scanners ? { scanners: this.options.scanners } : {}), lastSeq: this.stored.length, scope: this.options.scope ?? 'operate',
    })));
  }

  async #answer(request: IncomingMessage, response: ServerResponse): Promise<void> {
    const path = new URL(request.url ?? '/', 'http://station.invalid').pathname;
    if (path.startsWith('/api/v1/')) {
      this.#answerApi(request, response, path);
      return;
    }
    const name = path === '/' ? 'index.html' : path.slice(1);
    if (!/^(index\.html|assets\/[\w.-]+)$/.test(name)) {
      response.writeHead(404).end();
      return;
    }
    const content = await readFile(join(this.options.pageDirectory, name));
    response.writeHead(200, { 'content-type': TYPES[extname(name)] ?? 'application/octet-stream', 'content-security-policy': POLICY });
    const given = this.options.givesToken === false ? '' : this.token;
    response.end(name === 'index.html' ? content.toString('utf8').replace('<!--torsiond:access-->', `<meta name="torsiond-token" content="${given}">`) : content);
  }

  #answerApi(request: IncomingMessage, response: ServerResponse, path: string): void {
    const say = (status: number, body: object): void => {
      response.writeHead(status, { 'content-type': 'application/json' }).end(JSON.stringify(body));
    };
    if (request.headers.authorization !== `Bearer ${this.token}`) {
      say(401, { code: 'ACCESS_TOKEN', message: 'a token is needed', where: null, hint: '' });
      return;
    }
    if (path === '/api/v1/station') {
      say(200, { station: 'Hollin & Fenn, bench 3' });
      return;
    }
    const id = /^\/api\/v1\/readings\/([\w-]+)\/trace$/.exec(path)?.[1];
    const pull = id === undefined ? undefined : this.#pulls.get(id);
    const reading = this.stored.find((candidate) => candidate.id === id);
    if (!pull || !reading) {
      say(404, { code: 'READING_UNKNOWN', message: 'no reading has that id', where: null, hint: '' });
      return;
    }
    say(200, {
      readingId: id, spacingMs: 1_000 / pull.rateHz, rateHz: pull.rateHz, unit: 'N.m',
      torque: pull.torque.map((value) => convertTorque(value, reading.unit, 'N.m')), evidence: { cycleAt: pull.cycleAt, takenAt: null },
    });
  }
}

const iso = (ms: number): string => new Date(ms === 0 ? Date.UTC(2026, 10, 25, 8) : ms).toISOString();

export function instrument(id: string, changes: Partial<InstrumentInfo> = {}): InstrumentInfo {
  return {
    id, title: id, state: 'streaming', since: iso(0), fault: null, link: `/dev/serial/by-id/usb-invented_${id}`, driver: 'ascii-lines', epoch: 1, identity: null, simulated: false, ...changes,
  };
}

export function scanner(id: string, title: string, changes: Partial<ScannerInfo> = {}): ScannerInfo {
  return { id, title, state: 'connected', since: iso(0), fault: null, link: `/dev/serial/by-id/usb-invented_${id}`, ...changes };
}

export function channel(index: number, id: string, title: string, capacity: number, resolution: number, settings: object, changes: Partial<ChannelInfo> = {}): ChannelInfo {
  return {
    index, id, title, instrument: id.split('/')[0]!, state: 'armed', settings: CaptureSettings.parse({ mode: 'peak', ...settings }),
    transducer: { serialNumber: `HF-${1040 + index}`, capacity, resolution, calibrationDue: '2027-03-01', overdue: false }, sampleRateHz: 1_000, ...changes,
  };
}
