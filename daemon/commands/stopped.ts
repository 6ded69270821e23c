/** Resolves when the command is to stop. The pending promise alone keeps no process alive; what runs does. */
export function stopped(signal: AbortSignal): Promise<void> {
  if (signal.aborted) return Promise.resolve();
  return new Promise((resolve) => signal.addEventListener('abort', () => resolve(), { once: true }));
}
