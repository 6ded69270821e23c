/** Moments after ISO 8601, as loggers write them. */
const MOMENT = /^(\d{4})-(\d\d)-(\d\d)[T ](\d\d):(\d\d)(?::(\d\d)(?:[.,](\d{1,9}))?)?\s*(Z|[+-]\d\d:?\d\d)?$/i;

export interface Moment {
  /** Whole seconds since 1970, and what is beyond, s. */
  readonly wholeS: number;
  readonly restS: number;
  /** Without one it is read as UTC. */
  readonly hasZone: boolean;
}

/** @returns null when the text is none */
export function readMoment(text: string): Moment | null {
  const found = MOMENT.exec(text.trim());
  if (!found) return null;
  const [, year, month, day, hour, minute, second = '0', fraction = '', zone] = found;
  const ms = Date.UTC(Number(year), Number(month) - 1, Number(day), Number(hour), Number(minute), Number(second));
  const date = new Date(ms);
  // 31 February would silently be 3 March.
  if (date.getUTCMonth() !== Number(month) - 1 || date.getUTCDate() !== Number(day) || Number(hour) > 23 || Number(minute) > 59 || Number(second) > 59) return null;
  const offset = zone === undefined || /^z$/i.test(zone) ? 0 : (zone.startsWith('-') ? -1 : 1) * (Number(zone.slice(1, 3)) * 60 + Number(zone.slice(-2)));
  return { wholeS: ms / 1_000 - offset * 60, restS: fraction === '' ? 0 : Number(`0.${fraction}`), hasZone: zone !== undefined };
}
