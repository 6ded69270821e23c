import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import type { SimulatedPort } from '../../simulator/index.ts';

/** The device's side of memory links: a virtual instrument's port whose bytes go to whoever opened the link last. */
export function memoryBenchPort(): { readonly port: SimulatedPort; readonly open: OpenLink } {
  const listeners: ((bytes: Uint8Array) => void)[] = [];
  let far: ReturnType<typeof createMemoryLink>['far'] | null = null;
  const port: SimulatedPort = {
    address: { kind: 'serial', path: 'memory' }, isPluggedIn: true, backlogBytes: 0,
    counters: { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 },
    write: (bytes) => { if (far?.isOpen) far.deliver(bytes); },
    onData: (listener) => { listeners.push(listener); },
    unplug: async () => far?.unplug(),
    replug: async () => {},
    close: async () => far?.unplug(),
  };
  const open: OpenLink = async ({ clock }) => {
    const made = createMemoryLink(clock, 'memory');
    far = made.far;
    // An answer that came before `write` returned would overtake the question.
    far.onWrite((bytes) => setImmediate(() => listeners.forEach((listener) => listener(bytes))));
    return made.link;
  };
  return { port, open };
}
