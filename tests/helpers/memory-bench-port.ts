import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import type { OpenLink } from '../../drivers/links/link.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { SimulatedPort } from '../../simulator/index.ts';

/** The device's side of memory links: a virtual instrument's port whose bytes go to whoever opened the link last. */
export function memoryBenchPort(): { readonly port: SimulatedPort; readonly open: OpenLink } {
  const listeners: ((bytes: Uint8Array) => void)[] = [];
  const counters = { writtenBytes: 0, overrunBytes: 0, unheardBytes: 0, receivedBytes: 0 };
  let far: ReturnType<typeof createMemoryLink>['far'] | null = null;
  let isPluggedIn = true;
  const unplug = async (): Promise<void> => {
    isPluggedIn = false;
    far?.unplug();
    far = null;
  };
  const port: SimulatedPort = {
    address: { kind: 'serial', path: 'memory' }, backlogBytes: 0,
    get isPluggedIn() {
      return isPluggedIn;
    },
    get counters() {
      return { ...counters };
    },
    write: (bytes) => {
      counters.writtenBytes += bytes.length;
      if (!far?.isOpen) counters.unheardBytes += bytes.length;
      else if (far.isHeld) counters.overrunBytes += bytes.length;
      else far.deliver(bytes);
    },
    onData: (listener) => { listeners.push(listener); },
    unplug,
    replug: async () => { isPluggedIn = true; },
    close: unplug,
  };
  const open: OpenLink = async ({ clock }) => {
    if (!isPluggedIn) throw new TorsiondError('LINK_NOT_FOUND', 'it is unplugged', { where: 'memory' });
    const made = createMemoryLink(clock, 'memory');
    far = made.far;
    // An answer that came before `write` returned would overtake the question.
    far.onWrite((bytes) => setImmediate(() => {
      counters.receivedBytes += bytes.length;
      for (const listener of listeners) listener(bytes);
    }));
    return made.link;
  };
  return { port, open };
}
