/**
 * The life of one instrument as a pure reducer: what state follows, and what is to be done. No timers, no links, no
 * chance in here; `instrument-runner.ts` does what the effects say.
 *
 * ```
 * stopped --start--> opening --opened--> settling --quiet--> identifying --identified--> streaming <--> stalled
 *    ^                  |                    |                    |                          |             |
 *  stop,                +--------------------+----- failure ------+--------------------------+-------------+
 *  end of recording                          |
 *                     absent (no such port: opens when it appears)
 *                     waiting (back-off, then opening; for ever)
 *                     needs-attention (a person must act: opens when port, permission or settings change, or on retry)
 * ```
 */
import { TorsiondError } from '../../shared/errors.ts';
import type { InstrumentState } from '../../shared/wire/events.ts';

export type TimerName = 'state' | 'quiet' | 'silence' | 'steady' | 'close';

/** Numbers and facts that do not change while the instrument lives. Times in ms. */
export interface MachineRules {
  /** The link's existence can be looked up (a serial path); otherwise only opening tells (an address). */
  readonly hasPortList: boolean;
  /** A fault of the settings that opening cannot cure. */
  readonly settingsFault: TorsiondError | null;
  /** What the link is called in faults. */
  readonly where: string;
  /** What is said while there is no port; left out: that there is none. */
  readonly absence?: TorsiondError;
  readonly silenceMs: number;
  readonly openLimitMs: number;
  /** Settling ends after so long without a byte, and at the latest after the limit. */
  readonly settleQuietMs: number;
  readonly settleLimitMs: number;
  readonly identifyLimitMs: number;
  readonly identifyTries: number;
  readonly firstBackOffMs: number;
  readonly maxBackOffMs: number;
  /** Longest wait after silence: reopening a silent port costs nobody anything. */
  readonly maxSilentBackOffMs: number;
  /** Streaming this long forgets the failures before. */
  readonly steadyMs: number;
  /** A link that does not close is given up after this. */
  readonly closeLimitMs: number;
  /** Where no port list can tell of a change, also not of one at the device itself, `needs-attention` looks again after this. */
  readonly attentionRecheckMs: number;
}

export const DEFAULT_RULES: Omit<MachineRules, 'hasPortList' | 'settingsFault' | 'where' | 'silenceMs'> = {
  openLimitMs: 5_000,
  settleQuietMs: 250,
  settleLimitMs: 500,
  identifyLimitMs: 3_000,
  identifyTries: 3,
  firstBackOffMs: 500,
  maxBackOffMs: 30_000,
  maxSilentBackOffMs: 5_000,
  steadyMs: 30_000,
  closeLimitMs: 1_800,
  attentionRecheckMs: 30_000,
};
/** An address answers or not; nothing announces its return, so it is asked often. */
export const ADDRESS_MAX_BACK_OFF_MS = 2_000;
/** Share by which a back-off varies to both sides. */
export const JITTER = 0.2;

export interface MachineState {
  readonly name: InstrumentState;
  /** The one link: `closing` until the operating system has let go. */
  readonly link: 'none' | 'opening' | 'open' | 'closing';
  /** Number of the attempt to open; inputs of older ones are ignored. */
  readonly connection: number;
  /** Number of connections that opened. */
  readonly epoch: number;
  /** Failures since the last steady streaming. */
  readonly failures: number;
  /** Identification attempts on this connection. */
  readonly tries: number;
  /** null: not looked up yet, or no port list. */
  readonly isPortPresent: boolean | null;
  /** Opens as soon as the old link is closed. */
  readonly isDue: boolean;
  readonly fault: TorsiondError | null;
}

export type MachineInput =
  | { readonly kind: 'start' | 'stop' | 'retry' }
  | { readonly kind: 'port'; readonly isPresent: boolean; /** Replaced, or its permissions changed. */ readonly isChanged: boolean }
  | { readonly kind: 'opened' | 'bytes' | 'identified' | 'sample' | 'link-closed'; readonly connection: number }
  | { readonly kind: 'open-failed' | 'identify-failed' | 'driver-failed' | 'silent'; readonly connection: number; readonly error: TorsiondError }
  /** `error` null: a recording came to its end. */
  | { readonly kind: 'link-ended'; readonly connection: number; readonly error: TorsiondError | null }
  | { readonly kind: 'timer'; readonly timer: TimerName };

export type MachineEffect =
  | { readonly kind: 'open-link'; readonly connection: number }
  /** Ends the driver, then closes the link or gives up opening it; answered by `link-closed`. */
  | { readonly kind: 'close-link' | 'abandon-link'; readonly connection: number }
  /** A further attempt replaces the session of the one before. */
  | { readonly kind: 'start-driver'; readonly connection: number; readonly attempt: number }
  /** Samples count from here. */
  | { readonly kind: 'stream'; readonly connection: number }
  | { readonly kind: 'start-timer'; readonly timer: TimerName; readonly afterMs: number; readonly jitter: number }
  | { readonly kind: 'cancel-timer'; readonly timer: TimerName }
  | { readonly kind: 'announce-gap'; readonly reason: 'lost' | 'silence' | 'stopped' };

export interface MachineStep {
  readonly state: MachineState;
  readonly effects: readonly MachineEffect[];
}

export const INITIAL_STATE: MachineState = {
  name: 'stopped', link: 'none', connection: 0, epoch: 0, failures: 0, tries: 0, isPortPresent: null, isDue: false, fault: null,
};

/** Wait before the next attempt, ms, without jitter; `failures` from 1. */
export function backOffMs(failures: number, rules: MachineRules, isSilence = false): number {
  const most = isSilence ? Math.min(rules.maxBackOffMs, rules.maxSilentBackOffMs) : rules.maxBackOffMs;
  return Math.min(most, rules.firstBackOffMs * 2 ** Math.min(16, Math.max(0, failures - 1)));
}

export function stepMachine(state: MachineState, input: MachineInput, rules: MachineRules): MachineStep {
  if ('connection' in input && input.connection !== state.connection) return stay(state);
  switch (input.kind) {
    case 'start':
      return state.name === 'stopped' ? open({ ...state, failures: 0, fault: null }, rules) : stay(state);
    case 'stop':
      return end(state, rules);
    case 'retry':
      return isIdle(state) ? open({ ...state, failures: 0 }, rules) : stay(state);
    case 'port':
      return onPort(state, input, rules);
    case 'opened':
      if (state.link !== 'opening') return stay(state);
      return {
        state: { ...state, name: 'settling', link: 'open', epoch: state.epoch + 1, tries: 0 },
        effects: [timer('state', rules.settleLimitMs), timer('quiet', rules.settleQuietMs)],
      };
    case 'open-failed':
      if (state.link === 'closing') return closed(state, rules);
      return state.link === 'opening' ? fail({ ...state, link: 'none' }, input.error, rules) : stay(state);
    case 'bytes':
      return state.name === 'settling' ? { state, effects: [timer('quiet', rules.settleQuietMs)] } : stay(state);
    case 'identified':
      if (state.name !== 'identifying') return stay(state);
      return {
        state: { ...state, name: 'streaming', fault: null },
        effects: [cancel('state'), { kind: 'stream', connection: state.connection }, timer('silence', rules.silenceMs), timer('steady', rules.steadyMs)],
      };
    case 'identify-failed':
      return state.name === 'identifying' ? identifyAgain(state, input.error, rules) : stay(state);
    case 'driver-failed':
      return state.link === 'open' ? fail(state, input.error, rules) : stay(state);
    case 'silent':
      if (state.name !== 'streaming') return stay(state);
      return {
        state: { ...state, name: 'stalled', fault: input.error },
        effects: [cancel('silence'), cancel('steady'), { kind: 'announce-gap', reason: 'silence' }, timer('state', rules.silenceMs)],
      };
    case 'sample':
      if (state.name !== 'stalled') return stay(state);
      return {
        state: { ...state, name: 'streaming', fault: null },
        effects: [cancel('state'), timer('silence', rules.silenceMs), timer('steady', rules.steadyMs)],
      };
    case 'link-ended':
      if (state.link !== 'open') return stay(state);
      return input.error === null ? end(state, rules) : fail(state, input.error, rules);
    case 'link-closed':
      return state.link === 'closing' ? closed(state, rules) : stay(state);
    case 'timer':
      return onTimer(state, input.timer, rules);
  }
}

function onPort(before: MachineState, input: { isPresent: boolean; isChanged: boolean }, rules: MachineRules): MachineStep {
  if (!rules.hasPortList) return stay(before);
  const state = { ...before, isPortPresent: input.isPresent };
  const isNews = input.isPresent && (input.isChanged || before.isPortPresent === false);
  switch (state.name) {
    case 'absent':
      return input.isPresent ? open(state, rules) : stay(state);
    case 'waiting':
      if (!input.isPresent) return toAbsent(state, state.fault);
      return isNews ? open(state, rules) : stay(state);
    case 'needs-attention':
      if (rules.settingsFault !== null) return stay(state);
      // What the machine cannot do at all is the first to be told; plugging in would not help.
      if (!input.isPresent) return state.fault?.code === 'LINK_UNSUPPORTED' ? stay(state) : toAbsent(state, portGone(rules));
      return isNews ? open({ ...state, failures: 0 }, rules) : stay(state);
    case 'settling':
    case 'identifying':
    case 'streaming':
    case 'stalled':
      return input.isPresent ? stay(state) : fail(state, portGone(rules), rules);
    case 'opening':
    case 'stopped':
      return stay(state);
  }
}

function onTimer(state: MachineState, name: TimerName, rules: MachineRules): MachineStep {
  if (name === 'close') {
    if (state.link !== 'closing') return stay(state);
    const next = closed(state, rules);
    return { state: next.state, effects: [{ kind: 'abandon-link', connection: state.connection }, ...next.effects] };
  }
  if (name === 'steady') return stay(state.name === 'streaming' ? { ...state, failures: 0 } : state);
  if (name === 'quiet') return state.name === 'settling' ? identify(state, rules) : stay(state);
  if (name === 'silence') return stay(state);
  switch (state.name) {
    case 'opening':
      return fail(state, new TorsiondError('LINK_OPEN_FAILED', `the link did not open within ${rules.openLimitMs} ms`, { where: rules.where }), rules);
    case 'settling':
      return identify(state, rules);
    case 'identifying':
      return identifyAgain(state, new TorsiondError('DEVICE_TIMEOUT', `the device did not answer what it is asked at the start within ${rules.identifyLimitMs} ms`, { where: rules.where }), rules);
    case 'stalled':
      return fail(state, state.fault ?? new TorsiondError('LINK_STALLED', 'no sample came', { where: rules.where }), rules);
    case 'waiting':
      return state.isDue ? stay(state) : open(state, rules);
    case 'needs-attention':
      return state.fault !== null && isSeenAtPort(state.fault, rules) ? stay(state) : open(state, rules);
    case 'absent':
    case 'streaming':
    case 'stopped':
      return stay(state);
  }
}

/** Opens now, or as soon as the old link has let go of the port. */
function open(state: MachineState, rules: MachineRules): MachineStep {
  if (rules.settingsFault !== null) {
    return { state: { ...state, name: 'needs-attention', fault: rules.settingsFault, isDue: false }, effects: [cancel('state')] };
  }
  if (rules.hasPortList && state.isPortPresent === false) return toAbsent(state, state.fault ?? portGone(rules));
  if (state.link !== 'none') return { state: { ...state, name: 'waiting', isDue: true }, effects: [cancel('state')] };
  const connection = state.connection + 1;
  return {
    state: { ...state, name: 'opening', link: 'opening', connection, tries: 0, isDue: false },
    effects: [timer('state', rules.openLimitMs), { kind: 'open-link', connection }],
  };
}

function identify(state: MachineState, rules: MachineRules): MachineStep {
  return {
    state: { ...state, name: 'identifying', tries: state.tries + 1 },
    effects: [cancel('quiet'), timer('state', rules.identifyLimitMs), { kind: 'start-driver', connection: state.connection, attempt: state.tries + 1 }],
  };
}

function identifyAgain(state: MachineState, error: TorsiondError, rules: MachineRules): MachineStep {
  const isWorthAnother = !needsPerson(error) && error.code !== 'DRIVER_FAILED' && !error.code.startsWith('LINK_');
  return isWorthAnother && state.tries < rules.identifyTries ? identify(state, rules) : fail(state, error, rules);
}

/** Something went wrong on the way to samples or with them: close, and decide when to try again. */
function fail(before: MachineState, error: TorsiondError, rules: MachineRules): MachineStep {
  const { state, effects } = close(before, before.name === 'streaming' || before.name === 'stalled' ? 'lost' : null, rules);
  const failures = state.failures + 1;
  const failed = { ...state, failures, fault: error };
  if (needsPerson(error)) {
    const again = isSeenAtPort(error, rules) ? cancel('state') : timer('state', rules.attentionRecheckMs);
    return { state: { ...failed, name: 'needs-attention' }, effects: [...effects, again] };
  }
  const isGone = state.isPortPresent === false || (error.code === 'LINK_NOT_FOUND' && state.isPortPresent !== true);
  if (rules.hasPortList && isGone) {
    const absent = toAbsent(failed, error);
    return { state: absent.state, effects: [...effects, ...absent.effects] };
  }
  // A cut takes the way to the device no time: whoever opens the link again has it at once, and it is no failure of it.
  if (error.code === 'LINK_CUT') return { state: { ...failed, name: 'waiting', failures: state.failures }, effects: [...effects, timer('state', 0)] };
  const afterMs = backOffMs(failures, rules, error.code === 'LINK_STALLED');
  return { state: { ...failed, name: 'waiting' }, effects: [...effects, timer('state', afterMs, JITTER)] };
}

function end(before: MachineState, rules: MachineRules): MachineStep {
  const { state, effects } = close(before, before.name === 'streaming' || before.name === 'stalled' ? 'stopped' : null, rules);
  return { state: { ...state, name: 'stopped', fault: null }, effects: [...effects, cancel('state')] };
}

/** Lets go of the link if there is one; the caller names the state. */
function close(state: MachineState, gap: 'lost' | 'stopped' | null, rules: MachineRules): MachineStep {
  const effects: MachineEffect[] = [cancel('quiet'), cancel('silence'), cancel('steady')];
  if (gap !== null) effects.push({ kind: 'announce-gap', reason: gap });
  if (state.link === 'none' || state.link === 'closing') return { state: { ...state, isDue: false }, effects };
  return {
    state: { ...state, link: 'closing', isDue: false },
    effects: [...effects, { kind: 'close-link', connection: state.connection }, timer('close', rules.closeLimitMs)],
  };
}

/** The link has let go of the port. */
function closed(state: MachineState, rules: MachineRules): MachineStep {
  const free = { ...state, link: 'none' as const };
  const next = state.isDue ? open({ ...free, isDue: false }, rules) : stay(free);
  return { state: next.state, effects: [cancel('close'), ...next.effects] };
}

function toAbsent(state: MachineState, fault: TorsiondError | null): MachineStep {
  return { state: { ...state, name: 'absent', isDue: false, fault }, effects: [cancel('state')] };
}

function isIdle(state: MachineState): boolean {
  return state.name === 'waiting' || state.name === 'needs-attention' || state.name === 'absent';
}

/** `LINK_CLOSED` says only that the link ended meanwhile; a new one may do. */
function needsPerson(error: TorsiondError): boolean {
  return error.facts.retry === 'never' && error.code !== 'LINK_CLOSED';
}

/** Whether the port list tells when somebody has mended it; a key pressed at the device it does not. */
function isSeenAtPort(fault: TorsiondError, rules: MachineRules): boolean {
  return rules.hasPortList && fault.code !== 'UNIT_REFUSED';
}

function portGone(rules: MachineRules): TorsiondError {
  return rules.absence ?? new TorsiondError('LINK_NOT_FOUND', 'there is no such port', { where: rules.where });
}

const stay = (state: MachineState): MachineStep => ({ state, effects: [] });
const timer = (name: TimerName, afterMs: number, jitter = 0): MachineEffect => ({ kind: 'start-timer', timer: name, afterMs, jitter });
const cancel = (name: TimerName): MachineEffect => ({ kind: 'cancel-timer', timer: name });
