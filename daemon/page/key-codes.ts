import { KeyBurst } from './key-burst.ts';

export interface CodeListener {
  code(code: string): void;
  /** A scanner typed something that cannot be read. */
  spoilt(): void;
}

/** Kinds of `<input>` that no text is typed into. */
const PRESSED_INPUTS = new Set(['button', 'checkbox', 'color', 'file', 'image', 'radio', 'range', 'reset', 'submit']);

/** Hands over codes that a scanner types while the page has the focus. @returns the way to stop */
export function listenForCodes(target: Window, listener: CodeListener): () => void {
  const burst = new KeyBurst();
  /** Keys that are down and belong to a scanner: their release presses no button either. */
  const taken = new Set<string>();
  const down = (event: KeyboardEvent): void => {
    const outcome = burst.press({
      key: event.key, atMs: event.timeStamp, isRepeat: event.repeat, isComposing: event.isComposing,
      isChord: (event.ctrlKey || event.altKey || event.metaKey) && !event.getModifierState('AltGraph'),
      isInText: isForText(event.composedPath()[0]),
    });
    if (!outcome.isTaken) {
      taken.delete(event.code);
      return;
    }
    taken.add(event.code);
    quash(event);
    if (outcome.kind === 'code') listener.code(outcome.code);
    else if (outcome.kind === 'spoilt') listener.spoilt();
  };
  const up = (event: KeyboardEvent): void => {
    if (taken.delete(event.code)) quash(event);
  };
  target.addEventListener('keydown', down, { capture: true });
  target.addEventListener('keyup', up, { capture: true });
  return () => {
    target.removeEventListener('keydown', down, { capture: true });
    target.removeEventListener('keyup', up, { capture: true });
  };
}

function quash(event: KeyboardEvent): void {
  event.preventDefault();
  event.stopImmediatePropagation();
}

function isForText(target: EventTarget | undefined): boolean {
  if (!(target instanceof HTMLElement)) return false;
  if (target instanceof HTMLInputElement) return !PRESSED_INPUTS.has(target.type);
  return target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement || target.isContentEditable;
}
