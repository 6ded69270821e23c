/** Records through the gateway that has the port: asks it for the bytes and writes them to the file. */
import { rm } from 'node:fs/promises';
import { get, type IncomingMessage } from 'node:http';
import * as z from 'zod';
import { ERROR_TABLE, type ErrorCode, TorsiondError } from '../../shared/errors.ts';
import type { GatewayNote } from '../gateway-note.ts';
import { isAlive } from '../is-alive.ts';
import { createFileSink } from '../recording/byte-sink.ts';
import { WholeRecords } from '../recording/whole-records.ts';
import { openTokenStore } from '../server/tokens.ts';
import type { CommandContext } from './context.ts';
import { counted } from './options.ts';
import { stopped } from './stopped.ts';

export interface GatewayRecordOptions {
  /** Channel or instrument. */
  readonly channel: string;
  readonly out: string;
  readonly seconds?: number;
  readonly withTorque?: boolean;
  readonly dataDirectory: string;
  /** Null: one is made for this recording and revoked after it. */
  readonly token: string | null;
}

const ASK_LIMIT_MS = 5_000;
const TOKEN_LABEL = 'torsiond record, process ';

const Channels = z.object({ channels: z.array(z.object({ id: z.string(), instrument: z.string(), state: z.string() })) });
const Refusal = z.object({ code: z.string(), message: z.string(), where: z.string().nullable(), hint: z.string() });
const Instruments = z.object({ instruments: z.array(z.object({ id: z.string(), fault: Refusal.nullable() })) });

/**
 * @returns `no-gateway` when nothing answers there, `no-channel` when the gateway has no such channel; nothing was done then
 * @throws TorsiondError what the gateway refuses with, OUTPUT_FAILED, CLIENT_DISCONNECTED when it breaks the recording off
 */
export async function recordThroughGateway(gateway: GatewayNote, options: GatewayRecordOptions, context: CommandContext): Promise<'done' | 'no-gateway' | 'no-channel'> {
  const tokens = options.token === null ? openTokenStore(options.dataDirectory, context.clock) : null;
  // A recording that was killed could not revoke its token.
  for (const { id, label } of tokens?.list() ?? []) {
    if (label.startsWith(TOKEN_LABEL) && !isAlive(Number(label.slice(TOKEN_LABEL.length)))) tokens!.revoke(id);
  }
  const made = tokens?.create('read', `${TOKEN_LABEL}${process.pid}`) ?? null;
  try {
    const token = options.token ?? made!.token;
    const channels = await channelsOf(gateway, token);
    if (channels === null) return 'no-gateway';
    const found = channels.find((channel) => channel.id === options.channel || channel.instrument === options.channel);
    if (!found) return 'no-channel';
    await record(found.instrument, gateway, token, options, context);
    return 'done';
  } finally {
    if (made) tokens!.revoke(made.record.id);
  }
}

async function record(instrument: string, gateway: GatewayNote, token: string, options: GatewayRecordOptions, context: CommandContext): Promise<void> {
  const sink = await createFileSink(options.out, context.clock);
  const records = new WholeRecords();
  let broken: TorsiondError | null = null;
  try {
    const response = await recordingOf(instrument, gateway, token, options.withTorque ?? false);
    await context.complain(`Recording ${instrument} through the gateway at ${gateway.url} to ${options.out}; stop with Ctrl-C.`);
    let isOver = false;
    const end = (): void => {
      isOver = true;
      response.destroy();
    };
    void stopped(context.stop).then(end);
    const cancelEnd = options.seconds === undefined ? () => {} : context.clock.after(options.seconds * 1_000, end);
    try {
      for await (const bytes of response as AsyncIterable<Buffer>) await sink.write(records.take(bytes));
    } catch (thrown) {
      if (thrown instanceof TorsiondError) throw thrown;
      if (!isOver) broken = new TorsiondError('CLIENT_DISCONNECTED', 'the gateway broke the recording off: it ended, or this file was not written fast enough', { where: options.out, cause: thrown });
    } finally {
      cancelEnd();
    }
    if (records.isComplete) await context.complain('The gateway stopped; the recording is complete.');
    if (records.isComplete || isOver) await sink.write(records.end());
  } finally {
    await sink.end();
    // Nothing was ever heard: an empty recording would only stand in the way of the next attempt.
    if (records.counters.chunks === 0) await rm(options.out, { force: true });
  }
  const { chunks, bytes } = records.counters;
  if (chunks > 0) await context.complain(`${options.out}: ${counted(chunks, 'chunk')}, ${counted(bytes, 'byte')}`);
  if (broken !== null) throw broken;
  if (chunks === 0) throw await nothingCame(instrument, gateway, token);
}

/** Why, as far as the gateway knows: the instrument may not be connected at all. */
async function nothingCame(instrument: string, gateway: GatewayNote, token: string): Promise<TorsiondError> {
  const body = await fetch(new URL('api/v1/instruments', gateway.url), { headers: { authorization: `Bearer ${token}` }, signal: AbortSignal.timeout(ASK_LIMIT_MS) })
    .then((response) => response.json() as Promise<unknown>).catch(() => null);
  const fault = Instruments.safeParse(body).data?.instruments.find(({ id }) => id === instrument)?.fault;
  if (!fault || !(fault.code in ERROR_TABLE)) return new TorsiondError('LINK_STALLED', 'not one byte came, so there is no recording', { where: instrument });
  return new TorsiondError(fault.code as ErrorCode, `not one byte came, so there is no recording: ${fault.message}`, { where: instrument, hint: fault.hint });
}

async function channelsOf(gateway: GatewayNote, token: string): Promise<z.infer<typeof Channels>['channels'] | null> {
  let response: Response;
  try {
    response = await fetch(new URL('api/v1/channels', gateway.url), { headers: { authorization: `Bearer ${token}` }, signal: AbortSignal.timeout(ASK_LIMIT_MS) });
  } catch {
    return null;
  }
  const body: unknown = await response.json().catch(() => null);
  if (!response.ok) throw refused(body, response.status, gateway);
  return Channels.parse(body).channels;
}

/** Not by fetch, which gives up when no byte comes for some minutes: an instrument may be away for longer. */
async function recordingOf(instrument: string, gateway: GatewayNote, token: string, withTorque: boolean): Promise<IncomingMessage> {
  const url = new URL(`api/v1/instruments/${encodeURIComponent(instrument)}/recording`, gateway.url);
  if (withTorque) url.searchParams.set('torque', 'true');
  const response = await new Promise<IncomingMessage>((resolve, reject) => {
    get(url, { headers: { authorization: `Bearer ${token}` } }, resolve)
      .on('error', (cause) => reject(new TorsiondError('CLIENT_DISCONNECTED', 'the gateway does not answer', { where: gateway.url, cause })));
  });
  if (response.statusCode === 200) return response;
  let text = '';
  for await (const bytes of response.setEncoding('utf8') as AsyncIterable<string>) text += bytes;
  let body: unknown = null;
  try {
    body = JSON.parse(text);
  } catch {
    // Told by the status below.
  }
  throw refused(body, response.statusCode ?? 0, gateway);
}

function refused(body: unknown, status: number, gateway: GatewayNote): TorsiondError {
  const refusal = Refusal.safeParse(body);
  if (!refusal.success || !(refusal.data.code in ERROR_TABLE)) {
    return new TorsiondError('CLIENT_REFUSED', `the gateway answered ${status}`, { where: gateway.url });
  }
  const { code, message, hint } = refusal.data;
  return new TorsiondError(code as ErrorCode, message, { where: gateway.url, hint });
}
