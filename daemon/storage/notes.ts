/** Comments on and corrections of stored readings: new records in a chain of their own; the reading stays as it is. */
export interface NewNote {
  /** Unique; the same note handed over twice is stored once. */
  readonly id: string;
  readonly readingId: string;
  readonly kind: 'comment' | 'correction';
  /** 1 to 4000 characters. */
  readonly text: string;
  /** The person. */
  readonly who: string;
}

export interface StoredNote extends NewNote {
  /** Counts from 1 without a hole. */
  readonly number: number;
  /** ISO 8601 */
  readonly at: string;
  /** Hash of this record; hex. */
  readonly hash: string;
}

export interface NoteStore {
  /** @throws TorsiondError READING_UNKNOWN, MESSAGE_INVALID, and as `append` */
  addNote(note: NewNote): Promise<StoredNote>;
  /** Oldest first. */
  notes(readingId: string): Promise<readonly StoredNote[]>;
}
