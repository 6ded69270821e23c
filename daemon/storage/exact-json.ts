/**
 * JSON that gives back the same numbers: as `JSON.stringify`, but a negative zero keeps its sign and a number that JSON
 * cannot hold is refused instead of becoming null. `JSON.parse` reads it.
 * @throws TypeError with the path of what cannot be written
 */
export function exactJson(value: unknown): string {
  return isPlain(value) ? JSON.stringify(value) : written(value, '$');
}

/** Nearly every record is: then the built-in writer, which is faster, gives the same text. */
function isPlain(value: unknown): boolean {
  if (typeof value === 'number') return value !== 0 ? Number.isFinite(value) : !Object.is(value, -0);
  if (typeof value !== 'object' || value === null) return typeof value === 'string' || typeof value === 'boolean' || value === null;
  if (Array.isArray(value)) return value.every(isPlain);
  if ('toJSON' in value) return false;
  for (const name in value) {
    const member: unknown = (value as Record<string, unknown>)[name];
    if (member !== undefined && !isPlain(member)) return false;
  }
  return true;
}

function written(value: unknown, path: string): string {
  if (value === null || typeof value === 'boolean') return String(value);
  if (typeof value === 'string') return JSON.stringify(value);
  if (typeof value === 'number') {
    if (!Number.isFinite(value)) throw new TypeError(`${path} is ${value}`);
    return Object.is(value, -0) ? '-0' : String(value);
  }
  if (Array.isArray(value)) return `[${value.map((item, i) => written(item, `${path}[${i}]`)).join(',')}]`;
  if (typeof value !== 'object') throw new TypeError(`${path} is of type ${typeof value}`);
  const members = Object.entries(value).filter(([, member]) => member !== undefined);
  return `{${members.map(([name, member]) => `${JSON.stringify(name)}:${written(member, `${path}.${name}`)}`).join(',')}}`;
}
