/** What the device answers to the questions of a start. */
import type { InstrumentIdentity } from '../../api.ts';
import { tedsAnswer } from '../../teds/text.ts';
import type { AsciiLinesOptions } from './options.ts';

export interface StartQuestion<Answer> {
  /** Without its ending. */
  readonly send: string;
  readonly timeoutMs: number;
  readonly tries: number;
  /** What a line says in answer, or null when it answers something else. */
  read(text: string): Answer | null;
}

type Commands = AsciiLinesOptions['commands'];

export function identityQuestion({ send, timeoutMs, tries, answer }: NonNullable<Commands['identify']>): StartQuestion<InstrumentIdentity> {
  const pattern = new RegExp(answer, 'u');
  return {
    send, timeoutMs, tries,
    read: (text) => {
      const match = pattern.exec(text);
      const said = (name: string): string => match?.groups?.[name]?.trim() ?? '';
      return match && { maker: said('maker'), model: said('model'), serialNumber: said('serialNumber'), firmware: said('firmware') };
    },
  };
}

export function dataSheetQuestion({ send, timeoutMs, tries }: NonNullable<Commands['teds']>): StartQuestion<Uint8Array> {
  return { send, timeoutMs, tries, read: tedsAnswer };
}
