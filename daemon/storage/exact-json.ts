/**
 * JSON that gives back the same numbers: as `JSON.stringify`, but a negative zero keeps its sign and a number that JSON
 * cannot hold is refused instead of becoming null. `JSON.parse` reads it.
 * @throws TypeError with the path of what cannot be written
 */
export function exactJson(value: unknown, path = '$'): string {
  if (value === null || typeof value === 'boolean') return String(value);
  if (typeof value === 'string') return JSON.stringify(value);
  if (typeof value === 'number') {
    if (!Number.isFinite(value)) throw new TypeError(`${path} is ${value}`);
    return Object.is(value, -0) ? '-0' : String(value);
  }
  if (Array.isArray(value)) return `[${value.map((item, i) => exactJson(item, `${path}[${i}]`)).join(',')}]`;
  if (typeof value !== 'object') throw new TypeError(`${path} is of type ${typeof value}`);
  const members = Object.entries(value).filter(([, member]) => member !== undefined);
  return `{${members.map(([name, member]) => `${JSON.stringify(name)}:${exactJson(member, `${path}.${name}`)}`).join(',')}}`;
}
