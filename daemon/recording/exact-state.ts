/** State of step functions as text and back, bit for bit: JSON, with what JSON cannot say spelled out. */
import { TorsiondError } from '../../shared/errors.ts';

const NUMBER = '$number';
const FLOATS = '$float64';
const BYTES = '$uint8';

/** @param state plain objects, arrays, numbers of any kind, texts, null, Float64Array and Uint8Array */
export function stateText(state: unknown): string {
  return JSON.stringify(state, (_key, value: unknown) => {
    if (typeof value === 'number') return Number.isFinite(value) && !Object.is(value, -0) ? value : { [NUMBER]: Object.is(value, -0) ? '-0' : String(value) };
    if (value instanceof Float64Array) return { [FLOATS]: Buffer.from(value.buffer, value.byteOffset, value.byteLength).toString('base64') };
    if (value instanceof Uint8Array) return { [BYTES]: Buffer.from(value).toString('base64') };
    return value;
  });
}

/** @throws SyntaxError when the text is no JSON */
export function stateOf(text: string): unknown {
  return JSON.parse(text, (_key, value: unknown) => {
    if (value === null || typeof value !== 'object') return value;
    const entries = Object.entries(value as Record<string, unknown>);
    const [name, inner] = entries[0] ?? ['', null];
    if (entries.length !== 1 || typeof inner !== 'string') return value;
    if (name === NUMBER) return Number(inner);
    if (name === BYTES) return new Uint8Array(Buffer.from(inner, 'base64'));
    if (name !== FLOATS) return value;
    const bytes = new Uint8Array(Buffer.from(inner, 'base64'));
    return new Float64Array(bytes.buffer, 0, Math.floor(bytes.byteLength / 8));
  });
}

/**
 * State of another version must not be taken: what it lacks would be a wrong value that nobody sees.
 * @param own state of the same kind, made by this version
 * @throws TorsiondError INPUT_FORMAT when the given one has other parts
 */
export function fitState<State>(given: unknown, own: State, where: string): State {
  const misfit = findMisfit(given, own, 'state');
  if (misfit === null) return given as State;
  throw new TorsiondError('INPUT_FORMAT', `the state in the recording does not fit this version: ${misfit}`, { where });
}

/** Where one of the two has nothing, the other may have something. */
function findMisfit(given: unknown, own: unknown, path: string): string | null {
  if (given === null || own === null) return given === undefined ? `${path} is missing` : null;
  if (typeof given !== typeof own) return `${path} is ${given === undefined ? 'missing' : `a ${typeof given}`}`;
  if (typeof own !== 'object') return null;
  if (own.constructor !== (given as object).constructor) return `${path} is of another kind`;
  if (ArrayBuffer.isView(own)) return null;
  if (Array.isArray(own)) {
    for (const [i, item] of (given as unknown[]).entries()) {
      const misfit = own.length === 0 ? null : findMisfit(item, own[Math.min(i, own.length - 1)], `${path}[${i}]`);
      if (misfit !== null) return misfit;
    }
    return null;
  }
  const parts = given as Record<string, unknown>;
  for (const key of Object.keys(parts)) if (!Object.hasOwn(own, key)) return `${path}.${key} is unknown`;
  for (const [key, part] of Object.entries(own)) {
    const misfit = Object.hasOwn(parts, key) ? findMisfit(parts[key], part, `${path}.${key}`) : `${path}.${key} is missing`;
    if (misfit !== null) return misfit;
  }
  return null;
}
