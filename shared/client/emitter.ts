/** Typed events without a dependency; the same in Node and browsers. */
export class Emitter<Events> {
  readonly #listeners = new Map<keyof Events, Set<(event: never) => void>>();

  /** @returns the way to stop listening */
  on<Kind extends keyof Events>(kind: Kind, listener: (event: Events[Kind]) => void): () => void {
    const listeners = this.#listeners.get(kind) ?? new Set();
    this.#listeners.set(kind, listeners);
    const own = (event: Events[Kind]): void => listener(event);
    listeners.add(own);
    return () => {
      listeners.delete(own);
    };
  }

  /**
   * Calls every listener. One that throws disturbs neither the others nor the caller: its error is thrown again on
   * its own, where the host reports uncaught errors.
   */
  emit<Kind extends keyof Events>(kind: Kind, event: Events[Kind]): void {
    for (const listener of [...(this.#listeners.get(kind) ?? [])]) {
      try {
        (listener as (event: Events[Kind]) => void)(event);
      } catch (thrown) {
        queueMicrotask(() => {
          throw thrown;
        });
      }
    }
  }

  clear(): void {
    this.#listeners.clear();
  }
}
