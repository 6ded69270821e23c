/** Tries the common settings of a port one after the other, and keeps what explains the bytes best. */
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { LinkContext, OpenLink } from '../../drivers/links/link.ts';
import { analyse } from './analyse.ts';
import { askModbus } from './ask-modbus.ts';
import { askText, IDENTITY_QUESTION, identityIn } from './ask-text.ts';
import { Conversation } from './conversation.ts';
import type { Analysis, HeardBytes } from './heard.ts';

/** The commonest first. */
export const COMMON_BAUD_RATES = [115_200, 9_600, 19_200, 38_400, 57_600, 4_800, 2_400, 230_400, 460_800, 921_600, 1_200] as const;
/** Surer than this, no other rate is tried. */
const SURE_ENOUGH = 0.7;
/** A device that sends is heard at every rate, so that the other rates are only for questions, ms. */
const QUIET_MS = 200;
const CODE_LENGTH_ENOUGH = 4;
const IDENTITY_MS = 500;

export interface LineChoice {
  /** null: the link has none (a pseudo terminal, TCP). */
  readonly baudRate: number | null;
  readonly parity: 'none' | 'even';
}

export interface ProbeOptions {
  readonly clock: Clock;
  readonly signal: AbortSignal;
  /** How long each rate is listened to, ms. */
  readonly listenMs: number;
  /** `when-silent`: a device that sends nothing is asked; `always`: one that sends is asked for its name too. */
  readonly asks: 'never' | 'when-silent' | 'always';
  /** What a person says the device is asked for its torque by; null: not known. */
  readonly readQuestion: string | null;
  /** Rates to try; null: the link has none. */
  readonly baudRates: readonly number[] | null;
  /** Whether Modbus TCP may be spoken here. */
  readonly isNetwork: boolean;
  readonly openAt: (line: LineChoice) => OpenLink;
  readonly tried?: (baudRate: number | null, analysis: Analysis) => void;
}

export interface ProbeResult {
  readonly analysis: Analysis;
  /** The rate the analysis belongs to; null: not told. */
  readonly baudRate: number | null;
  /** What a device that sends by itself answered to `*IDN?`, or null. */
  readonly identity: string | null;
}

/** Bounded: each rate by `listenMs` and some seconds of questions. @throws TorsiondError of the LINK_ area when the port does not open */
export async function probePort(options: ProbeOptions): Promise<ProbeResult> {
  let best: ProbeResult = { analysis: { kind: 'silence', reasons: ['no byte came'] }, baudRate: null, identity: null };
  let isSilent = false;
  for (const baudRate of options.baudRates ?? [null]) {
    if (options.signal.aborted) break;
    const result: ProbeResult | null = await probeAt(baudRate, isSilent ? Math.min(QUIET_MS, options.listenMs) : options.listenMs, options).catch((thrown: unknown) => {
      if (options.signal.aborted) return null; // opening is given up, which is no fault of the port
      throw thrown;
    });
    if (result === null) break;
    isSilent ||= result.analysis.kind === 'silence';
    options.tried?.(baudRate, result.analysis);
    if (rank(result) > rank(best)) best = result;
    if (isEnough(result)) break;
    // Whoever sends is heard at every rate, if only as garbage.
    if (isSilent && options.asks === 'never') break;
  }
  return best;
}

async function probeAt(baudRate: number | null, listenMs: number, options: ProbeOptions): Promise<ProbeResult> {
  const { asks } = options;
  const plain = options.openAt({ baudRate, parity: 'none' });
  let identity: string | null = null;
  let lost: TorsiondError | null = null;
  const listened = await Conversation.over(plain, options, async (conversation): Promise<Analysis> => {
    const heard = await conversation.listen(listenMs);
    lost = conversation.lost;
    if (heard.data.length > 0) {
      if (asks === 'always') identity = identityIn(await askIdentity(conversation));
      return analyse(heard);
    }
    if (asks === 'never') return analyse(heard);
    const text = await askText(conversation, options.readQuestion);
    if (options.isNetwork || (text !== null && text.kind !== 'unknown')) return text ?? analyse(heard);
    return (await askModbus(conversation, { transport: 'rtu', baudRate, parity: 'none' })) ?? text ?? analyse(heard);
  });
  const analysis = (listened.kind === 'silence' && asks !== 'never' ? await askFurther(baudRate, options) : null) ?? listened;
  if (analysis.kind === 'silence' && lost !== null) throw hungUp(lost, options);
  return { analysis, baudRate, identity };
}

/** Nobody was silent: the connection ended before there was anything to hear. */
function hungUp(lost: TorsiondError, { isNetwork }: ProbeOptions): TorsiondError {
  return new TorsiondError(lost.code, lost.message, {
    ...(lost.where === null ? {} : { where: lost.where }), cause: lost,
    hint: isNetwork ? 'Many device servers take one client at a time: stop the gateway, or what else is connected to it, and probe again.' : 'Check cable and power, and probe again.',
  });
}

/** On connections of their own: over a network a text may have made the device hang up, and parity is set when a port is opened. */
async function askFurther(baudRate: number | null, options: ProbeOptions): Promise<Analysis | null> {
  const context: LinkContext = options;
  if (options.isNetwork) {
    const plain = options.openAt({ baudRate, parity: 'none' });
    return await Conversation.over(plain, context, (conversation) => askModbus(conversation, { transport: 'tcp', baudRate, parity: 'none' }))
      ?? await Conversation.over(plain, context, (conversation) => askModbus(conversation, { transport: 'rtu', baudRate, parity: 'none' }));
  }
  if (baudRate === null) return null;
  // What the standard asks for where nothing else is set.
  return Conversation.over(options.openAt({ baudRate, parity: 'even' }), context, (conversation) => askModbus(conversation, { transport: 'rtu', baudRate, parity: 'even' }));
}

function askIdentity(conversation: Conversation): Promise<HeardBytes> {
  return conversation.ask(new TextEncoder().encode(`${IDENTITY_QUESTION}\r\n`), IDENTITY_MS);
}

function isEnough({ analysis }: ProbeResult): boolean {
  switch (analysis.kind) {
    case 'lines': return analysis.asked !== null || analysis.sureness >= SURE_ENOUGH;
    // Their checksums, and answers, are right at one rate only.
    case 'frames': case 'scpi': case 'modbus': return true;
    // So many characters of plain text with an ending do not come of a wrong rate.
    case 'codes': return analysis.sureness >= SURE_ENOUGH || analysis.example.length >= CODE_LENGTH_ENOUGH;
    default: return false;
  }
}

function rank({ analysis, identity }: ProbeResult): number {
  const known = 'sureness' in analysis ? 10 + analysis.sureness : analysis.kind === 'binary' ? 2 : analysis.kind === 'unknown' ? 1 : 0;
  return known + (identity === null ? 0 : 20);
}
