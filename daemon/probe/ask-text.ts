/**
 * Questions in text. Each asks and orders nothing: a carriage return, the question who is there of IEEE 488.2, and a
 * question mark. Words such as READ are left to the person who has the manual, because the same letters are orders elsewhere.
 */
import { analyse } from './analyse.ts';
import type { Conversation } from './conversation.ts';
import type { Analysis, HeardBytes, LinesAnalysis, ScpiAnalysis } from './heard.ts';
import { lineLayout } from './line-layout.ts';
import { textLines } from './text-lines.ts';

export const IDENTITY_QUESTION = '*IDN?';
/** In this order, each with a carriage return and a line feed behind it but the first, which is the carriage return alone. */
export const TEXT_QUESTIONS = ['', IDENTITY_QUESTION, '?'] as const;
/** After an answer to `*IDN?` only: SCPI-99 says which year of the standard it keeps. */
const VERSION_QUESTION = 'SYST:VERS?';
const ANSWER_MS = 500;
/** How often a question is asked that is answered with a torque. */
const TIMES = 24;
/** Slower than a device answers at best, so that a late answer costs nothing. */
const RATE_SHARE = 0.4;
const FASTEST_HZ = 20;
const SLOWEST_HZ = 0.2;
const EXAMPLE_LENGTH = 60;

/** @param readQuestion what a person says the device is asked for its torque by; null: not known. @returns null when nobody answered */
export async function askText(conversation: Conversation, readQuestion: string | null): Promise<Analysis | null> {
  let unclear: Analysis | null = null;
  let name: string | null = null;
  for (const question of readQuestion === null ? TEXT_QUESTIONS : [IDENTITY_QUESTION, readQuestion]) {
    if (conversation.isOver) break;
    const { heard } = await put(conversation, question);
    if (heard.data.length === 0) continue;
    const identity = identityIn(heard);
    // What asks for the torque without a question mark is none of IEEE 488.2.
    if (identity !== null && (readQuestion === null || readQuestion.includes('?'))) return scpi(conversation, identity, readQuestion);
    name ??= identity;
    const lines = identity === null ? await askedLines(conversation, question) : null;
    if (lines !== null) return name === null ? lines : { ...lines, options: { ...lines.options, commands: { identify: { send: IDENTITY_QUESTION } } } };
    unclear ??= { kind: 'unknown', reasons: [`it answers ${JSON.stringify(question === '' ? '\r' : question)} with ${excerpt(heard)}, in which there is no torque and no name`] };
  }
  return unclear;
}

interface Put { readonly heard: HeardBytes; readonly tookMs: number | null }

async function put(conversation: Conversation, question: string): Promise<Put> {
  const beganMs = conversation.clock.monoMs();
  const sent = new TextEncoder().encode(question === '' ? '\r' : `${question}\r\n`);
  const heard = withoutEcho(await conversation.ask(sent, ANSWER_MS), sent);
  return { heard, tookMs: heard.arrivals.length === 0 ? null : heard.arrivals.at(-1)!.atMs - beganMs };
}

/** Asks again and again. @returns null when the answers are no lines with a torque */
async function askedLines(conversation: Conversation, question: string): Promise<LinesAnalysis | null> {
  const answers: Put[] = [];
  while (answers.length < TIMES && !conversation.isOver) answers.push(await put(conversation, question));
  const heard = joined(answers.map((answer) => answer.heard));
  // The first line is left out of what is heard in the midst of something; here all are whole.
  const whole = withLineBefore(heard);
  const text = textLines(whole.data);
  if (text === null || lineLayout(text) === null) return null;
  const analysis = analyse(whole);
  if (analysis.kind !== 'lines') return null;
  const times = answers.flatMap((answer) => answer.tookMs ?? []).sort((a, b) => a - b);
  const slowestMs = Math.max(1, times.at(-1) ?? ANSWER_MS);
  const perAnswer = text.lines.length / Math.max(1, times.length);
  const rateHz = Math.max(SLOWEST_HZ, Math.min(FASTEST_HZ, Number(((1_000 * RATE_SHARE) / slowestMs).toPrecision(1))));
  return {
    ...analysis, asked: { request: question, rateHz }, measuredRateHz: null, sampleRateHz: null,
    sureness: Math.round((analysis.sureness - (question === '' ? 0.1 : 0)) * 100) / 100,
    reasons: [`it sends nothing by itself and answers ${JSON.stringify(question === '' ? '\r' : question)} with a line`, ...analysis.reasons],
    doubts: [
      ...analysis.doubts.filter((doubt) => !doubt.includes('sample rate') && !doubt.includes('lines per second')),
      `the answers took up to ${Math.round(slowestMs)} ms; poll.rateHz is on the careful side`,
      ...(perAnswer > 1.2 ? [`about ${perAnswer.toFixed(1)} lines came for one question; the driver takes one`] : []),
      ...(question === '' ? ['the question is an empty line; give it to poll.request as the manual writes it'] : []),
    ],
  };
}

/** Maker, model, serial number and version with commas between (IEEE 488.2, 10.14). */
export function identityIn(heard: HeardBytes): string | null {
  const text = new TextDecoder('latin1').decode(heard.data);
  return text.split(/[\r\n]+/).find((line) => {
    const fields = line.trim().split(',');
    return fields.length === 4 && /^[\x20-\x7e]+$/.test(line) && /[A-Za-z]{2}/.test(fields[0]!) && fields.slice(0, 2).every((field) => !/^[\s\d+.-]*$/.test(field));
  })?.trim() ?? null;
}

async function scpi(conversation: Conversation, line: string, readQuestion: string | null): Promise<ScpiAnalysis> {
  const [maker, model, serialNumber] = line.split(',').map((field) => field.trim()) as [string, string, string];
  const year = /^\s*\d{4}\.\d/.exec(new TextDecoder('latin1').decode((await put(conversation, VERSION_QUESTION)).heard.data))?.[0].trim() ?? null;
  const values = readQuestion === null ? null : numbersIn((await put(conversation, readQuestion)).heard);
  const query = values === null || readQuestion === null ? 'READ?' : readQuestion;
  const count = values?.length ?? 1;
  return {
    kind: 'scpi', sureness: (year === null ? 0.7 : 0.8) + (values === null ? 0 : 0.15), channels: count, identity: { maker, model, serialNumber }, example: line,
    options: { poll: { rateHz: 10 }, queries: [{ text: query, ...(count === 1 ? {} : { values: Array.from({ length: count }, (_, i) => i + 1) }) }] },
    reasons: [
      `it answers *IDN? as IEEE 488.2 says`, ...(year === null ? [] : [`it keeps SCPI of ${year}`]),
      ...(values === null ? [] : [`it answers ${readQuestion} with ${count === 1 ? 'a number' : `${count} numbers`}`]),
    ],
    doubts: [
      ...(values !== null ? [] : [
        readQuestion === null ? 'READ? is the usual query and was not asked, because it starts a measurement; with --ask-with "READ?" it is, and tells how many values come' : `${readQuestion} was not answered with numbers`,
      ]),
      ...(year === null ? ['it did not say that it keeps SCPI; it may know *IDN? alone'] : []),
      'the unit is not told and must be filled in',
      'poll.rateHz is on the careful side',
    ],
  };
}

/** The numbers of an answer; null when one of its parts is none. 9.91E37 and 9.9E37 are values that are not there or too great. */
function numbersIn(heard: HeardBytes): readonly number[] | null {
  const [line] = new TextDecoder('latin1').decode(heard.data).split(/[\r\n]+/);
  const parts = (line ?? '').split(',').map((part) => part.trim());
  return parts.every((part) => /^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$/.test(part)) ? parts.map(Number) : null;
}

/** Some devices and two-wire adapters send back what they hear. */
function withoutEcho(heard: HeardBytes, sent: Uint8Array): HeardBytes {
  if (heard.data.length < sent.length || !sent.every((byte, i) => heard.data[i] === byte)) return heard;
  const data = heard.data.slice(sent.length);
  return { ...heard, data, arrivals: data.length === 0 ? [] : heard.arrivals.map(({ at, atMs }) => ({ at: Math.max(0, at - sent.length), atMs })) };
}

function joined(parts: readonly HeardBytes[]): HeardBytes {
  const arrivals: { at: number; atMs: number }[] = [];
  let bytes = 0;
  for (const part of parts) {
    for (const { at, atMs } of part.arrivals) arrivals.push({ at: bytes + at, atMs });
    bytes += part.data.length;
  }
  return { data: Uint8Array.from(Buffer.concat(parts.map((part) => part.data))), arrivals };
}

function withLineBefore({ data, arrivals }: HeardBytes): HeardBytes {
  const ending = data.at(-1);
  return ending === undefined ? { data, arrivals } : { data: Uint8Array.of(ending, ...data), arrivals: arrivals.map(({ at, atMs }) => ({ at: at + 1, atMs })) };
}

function excerpt({ data }: HeardBytes): string {
  return JSON.stringify(new TextDecoder('latin1').decode(data.subarray(0, EXAMPLE_LENGTH)));
}
