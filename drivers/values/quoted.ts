/** What a device sent, for messages: short, and with control characters made visible. */
export function quoted(text: string): string {
  const short = text.length > 40 ? `${text.slice(0, 40)}…` : text;
  return JSON.stringify(short).replace(/[\x7f-\x9f]/g, (letter) => `\\u00${letter.charCodeAt(0).toString(16)}`);
}
