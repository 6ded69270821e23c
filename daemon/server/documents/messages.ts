/** The messages of the WebSocket, by name and in the order in which the documents list them. */
import type * as z from 'zod';
import { ClientMessage, COMMAND_SCOPES, type Scope } from '../../../shared/wire/commands.ts';
import { ServerMessage } from '../../../shared/wire/events.ts';

export interface MessageFacts {
  /** `reading.stored` */
  readonly type: string;
  /** `ReadingStored` */
  readonly name: string;
  readonly schema: z.ZodObject;
  readonly description: string;
}
export interface CommandFacts extends MessageFacts { readonly scope: Scope }

/** What a message means where its schema does not say it. */
const MEANINGS: Readonly<Record<string, string>> = {
  'instrument.state': 'The state of an instrument changed.',
  'channel.state': 'The state or the settings of a channel changed.',
  'channel.live': 'The latest torque of a channel, and the lowest and highest since the message before.',
  'cycle.started': 'Torque is applied: a cycle began.',
  'click.detected': 'A click was seen in the running cycle.',
  'cycle.interrupted': 'A cycle was cut off and gave no reading.',
  'cycle.dismissed': 'Torque came and went and gave no reading: a knock, the other direction, and so on.',
  'store.state': 'The store takes readings, or why it does not.',
  'scanner.state': 'A scanner was connected or lost.',
  'scan.seen': 'A code came from a scanner or from a client.',
  hello: 'First message on every connection: what there is.',
  samples: 'Samples of a channel, for clients that asked for them as JSON.',
  ok: 'A command was carried out.',
  refused: 'A command or message was refused.',
  subscribe: 'Asks for events, live values and samples; replaces what was asked before.',
  unsubscribe: 'Ends what was asked for.',
  arm: 'Makes the channel ready for the next cycle.',
  zero: 'Takes the present torque of the unloaded transducer as zero.',
  configure: 'Changes the channel\'s capture settings.',
  scan: 'Hands over a code from a scanner.',
  ping: 'Answered by ok: proves that the whole way works.',
};

export const serverMessages: readonly MessageFacts[] = ServerMessage.options.map(factsOf);
export const clientCommands: readonly CommandFacts[] = ClientMessage.options.map((schema) => {
  const facts = factsOf(schema);
  return { ...facts, scope: COMMAND_SCOPES[facts.type as ClientMessage['type']] };
});

function factsOf(schema: z.ZodObject): MessageFacts {
  const type = [...(schema.shape.type as z.ZodLiteral<string>).values][0]!;
  const name = type.split(/[.-]/).map((word) => word[0]!.toUpperCase() + word.slice(1)).join('');
  const own = MEANINGS[type];
  const description = [own, schema.description].filter((text) => text !== undefined).join(' ');
  return { type, name, schema, description };
}
