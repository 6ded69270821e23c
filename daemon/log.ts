/** The gateway's log: JSON lines on standard error, or readable lines when that is a terminal. Never a secret. */
import { Writable } from 'node:stream';
import { pino, type Logger } from 'pino';

export type Log = Logger;

export interface LogOptions {
  readonly isTerminal: boolean;
  readonly level?: 'debug' | 'info' | 'warn' | 'error' | 'silent';
  /** Takes one line without its end. */
  readonly write: (line: string) => void;
}

/** Fields that may hold a secret, wherever they turn up. */
const SECRET_FIELDS = ['token', 'authorization', 'cookie', 'password', 'sec-websocket-protocol'];
const SECRET_PATHS = SECRET_FIELDS.flatMap((name) => {
  const key = name.includes('-') ? `["${name}"]` : name;
  const after = name.includes('-') ? key : `.${key}`;
  return [key, `*${after}`, `*.*${after}`];
});
/** A token in running text: after its prefix in a subprotocol, or after "Bearer". */
const SECRET_TEXT = /(torsiond\.token\.|Bearer\s+)[\w.~+/=-]+/gi;
const LEVELS: Readonly<Record<number, string>> = { 20: 'debug', 30: 'info', 40: 'warn', 50: 'error', 60: 'fatal' };

export function withoutSecrets(text: string): string {
  return text.replace(SECRET_TEXT, '$1[secret]');
}

export function createLog(options: LogOptions): Log {
  const destination = new Writable({
    decodeStrings: false,
    write: (text: string | Buffer, _encoding, done) => {
      const line = withoutSecrets(text.toString().trimEnd());
      options.write(options.isTerminal ? readable(line) : line);
      done();
    },
  });
  return pino({
    level: options.level ?? 'info',
    base: null,
    timestamp: pino.stdTimeFunctions.isoTime,
    redact: { paths: SECRET_PATHS, censor: '[secret]' },
  }, destination);
}

/** `08:00:00 warn  what happened  key=value key=value` */
function readable(line: string): string {
  const { time, level, msg, ...fields } = JSON.parse(line) as { time?: string; level?: number; msg?: string } & Record<string, unknown>;
  const rest = Object.entries(fields).map(([key, value]) => `${key}=${typeof value === 'string' && !/[\s"=]/.test(value) ? value : JSON.stringify(value)}`);
  return [time?.slice(11, 19) ?? '', (LEVELS[level ?? 0] ?? '').padEnd(5), msg ?? '', ...rest].join(' ').trimEnd();
}
