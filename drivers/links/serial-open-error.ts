/** Why a serial port could not be opened: the operating system's words as one of our codes. */
import { TorsiondError, type ErrorCode } from '../../shared/errors.ts';
import { describePortAccess, portAccessText } from './port-access.ts';
import { findPortHolders, type PortHolder } from './port-holder.ts';

type OpenCode = Extract<ErrorCode, `LINK_${string}`>;

interface Cause {
  /** Looked for in the error's code and text; the `serialport` package gives no code, only the text of the system. */
  readonly words: RegExp;
  readonly code: OpenCode;
  readonly message: string;
  readonly hint?: string;
}

/** First match counts. */
const CAUSES: readonly Cause[] = [
  { words: /cannot lock port|resource busy|EBUSY/i, code: 'LINK_BUSY', message: 'the port is in use' },
  // Windows refuses a port that another program has with these words.
  { words: /^(error:? ?)?opening .*access denied/i, code: 'LINK_BUSY', message: 'the port is in use' },
  { words: /permission denied|operation not permitted|EACCES|EPERM/i, code: 'LINK_PERMISSION', message: 'no permission to open the port' },
  { words: /no such file|file not found|no such device|ENOENT|ENXIO|ENODEV|ENOTDIR/i, code: 'LINK_NOT_FOUND', message: 'there is no such port' },
  { words: /baud rate of \d+ is not supported|invalid argument.*baud|invalid (data|stop) bits|invalid parity|the parameter is incorrect/i,
    code: 'LINK_OPEN_FAILED', message: 'the port does not take these settings', hint: 'Check baud rate, data bits, parity and stop bits against the adapter\'s data sheet.' },
  { words: /inappropriate ioctl|not a typewriter|ENOTTY|is a directory|EISDIR/i, code: 'LINK_NOT_A_PORT', message: 'this is not a serial port' },
  { words: /input\/output error|EIO\b/i, code: 'LINK_NOT_FOUND', message: 'the system has this name, but no port behind it answers' },
];

/** What the words mean; `LINK_OPEN_FAILED` when they are unknown. */
export function openErrorCode(text: string): OpenCode {
  return causeOf(text)?.code ?? 'LINK_OPEN_FAILED';
}

function causeOf(text: string): Cause | undefined {
  return CAUSES.find((cause) => cause.words.test(text));
}

/** The error for a person: with the port's rights when they are missing, and with the holder when it may be known. */
export async function serialOpenError(path: string, node: string, thrown: unknown): Promise<TorsiondError> {
  if (thrown instanceof TorsiondError) return thrown;
  const text = thrown instanceof Error ? `${(thrown as NodeJS.ErrnoException).code ?? ''} ${thrown.message}`.trim() : String(thrown);
  const cause = causeOf(text);
  const options = { where: path, cause: thrown };
  if (!cause) return new TorsiondError('LINK_OPEN_FAILED', `the port could not be opened: ${text}`, options);
  if (cause.code === 'LINK_PERMISSION') return permissionError(path, node, thrown);
  if (cause.code === 'LINK_BUSY') return busyError(path, await findPortHolders(node), thrown);
  return new TorsiondError(cause.code, cause.message, cause.hint === undefined ? options : { ...options, hint: cause.hint });
}

export function busyError(path: string, holders: readonly PortHolder[], cause?: unknown): TorsiondError {
  const options = { where: path, cause };
  if (holders.length === 0) return new TorsiondError('LINK_BUSY', 'the port is in use by a program that cannot be seen from here', options);
  const names = holders.map(({ pid, name }) => (pid === process.pid ? 'this very process' : `${name || 'a program'} (process ${pid})`));
  return new TorsiondError('LINK_BUSY', `the port is in use by ${names.join(' and ')}`, options);
}

async function permissionError(path: string, node: string, cause: unknown): Promise<TorsiondError> {
  try {
    const access = await describePortAccess(node);
    return new TorsiondError('LINK_PERMISSION', `no permission to open the port: ${portAccessText(access)}`, { where: path, cause, hint: `${access.remedy}.` });
  } catch {
    return new TorsiondError('LINK_PERMISSION', 'no permission to open the port, nor to see whose it is', { where: path, cause });
  }
}
