/** Runs work in a turn of the event loop of its own: in Node, and in a page, which has no `setImmediate`. */
export function soon(work: () => void): void {
  if (typeof setImmediate === 'function') setImmediate(work);
  else setTimeout(work, 0);
}
