import { Subject } from 'rxjs';
import * as z from 'zod';
import { defineDriver, type DriverContext, type DriverDefinition, type DriverEvent, type DriverSession, type InstrumentCommand, type InstrumentIdentity } from '../../drivers/api.ts';

export interface ScriptedSession {
  readonly context: DriverContext<unknown>;
  readonly events: Subject<DriverEvent>;
  readonly commands: InstrumentCommand[];
  isStarted: boolean;
  isStopped: boolean;
}

export interface ScriptedDriverPlan {
  /** Answers `start`; default: at once, with null. */
  start?: (session: ScriptedSession, attempt: number) => Promise<InstrumentIdentity | null>;
  stop?: (session: ScriptedSession) => Promise<void>;
  command?: (session: ScriptedSession, command: InstrumentCommand) => Promise<void>;
  create?: () => void;
  /** What a chunk means; default: each byte is a sample of channel 0. */
  read?: (session: ScriptedSession, data: Uint8Array, atMs: number) => void;
  channels?: number;
}

/** A driver that does what a test says: one byte is one sample unless the plan reads otherwise. */
export function scriptedDriver(plan: ScriptedDriverPlan = {}): { readonly driver: DriverDefinition; readonly sessions: ScriptedSession[] } {
  const sessions: ScriptedSession[] = [];
  const driver = defineDriver<unknown>({
    apiVersion: 1,
    id: 'scripted',
    title: 'Scripted, for tests',
    optionsSchema: z.record(z.string(), z.unknown()),
    capabilities: { delivery: 'pushed', identifies: true, commands: ['zero'] },
    channelCount: () => plan.channels ?? 1,
    createSession: (context): DriverSession => {
      plan.create?.();
      const session: ScriptedSession = { context, events: new Subject(), commands: [], isStarted: false, isStopped: false };
      sessions.push(session);
      let frames = 0;
      return {
        events$: session.events.asObservable(),
        start: async () => {
          session.isStarted = true;
          context.link.listen(({ data, atMs }) => {
            frames += 1;
            if (plan.read) plan.read(session, data, atMs);
            else session.events.next({ kind: 'values', channel: 0, values: Float64Array.from(data), unit: null, status: null, atMs });
          });
          void context.link.ended.then(() => session.events.complete());
          return plan.start ? plan.start(session, sessions.length) : null;
        },
        command: async (command) => {
          session.commands.push(command);
          await plan.command?.(session, command);
        },
        stop: async () => {
          session.isStopped = true;
          await plan.stop?.(session);
        },
        counters: () => ({ frames, faults: 0, discardedBytes: 0 }),
      };
    },
  });
  return { driver, sessions };
}
