/** Data sheets as text: as settings hold them, and as devices answer. */

/** An answer shorter than the basic part, eight bytes in hexadecimal, is no data sheet. */
const ANSWER = /^"?(?:(?:[0-9a-f]{2}[ \t]?){8,}|(?:[a-z0-9+/]{4}){3,}(?:[a-z0-9+/]{2}==|[a-z0-9+/]{3}=)?)"?$/iu;

/** Longest line that a data sheet may take, bytes: 1 KiB of memory in hexadecimal, and what stands around it. */
export const TEDS_LINE_BYTES = 2_112;

/** @returns the bytes of a text in hexadecimal or base64, blanks anywhere; null when it is neither */
export function tedsBytes(text: string): Uint8Array | null {
  const compact = text.replace(/\s+/g, '');
  if (/^(?:[0-9a-f]{2})+$/i.test(compact)) return Uint8Array.from(Buffer.from(compact, 'hex'));
  if (/^(?:[A-Za-z0-9+/]{4})*(?:[A-Za-z0-9+/]{2}==|[A-Za-z0-9+/]{3}=)?$/.test(compact)) return Uint8Array.from(Buffer.from(compact, 'base64'));
  return null;
}

/** @returns the bytes when a line answers the question for a data sheet, in quotes or not; else null */
export function tedsAnswer(line: string): Uint8Array | null {
  const text = line.trim();
  return ANSWER.test(text) ? tedsBytes(text.replace(/"/g, '')) : null;
}
