/** Waits for a condition, never for a time. Fails with what was awaited; the limit only ends a wait in vain, on the slowest machine too. */
export async function waitUntil(
  condition: () => boolean | Promise<boolean>,
  what: string,
  limitMs = 60_000,
): Promise<void> {
  const end = performance.now() + limitMs;
  while (!(await condition())) {
    if (performance.now() > end) throw new Error(`waited ${limitMs} ms in vain for: ${what}`);
    await new Promise((resolve) => setTimeout(resolve, 5));
  }
}
