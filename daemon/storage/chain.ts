/**
 * The record chain: each record's SHA-256 covers its content and the hash of the record before it.
 *
 * What is hashed, in UTF-8, lines ended by LF, hashes in lower-case hex, lengths in bytes in decimal:
 *
 *     trace digest   torsiond trace 1 \n <length of header> \n <header JSON as stored> <samples blob as stored>
 *     reading hash   torsiond reading 1 \n <seq> \n <stored_ms> \n <previous hash> \n <trace digest> \n <reading JSON as stored>
 *     note hash      torsiond note 1 \n <number> \n <previous hash> \n <hash of the reading it is about> \n <note JSON as stored>
 *
 * The first record's previous hash is 64 zeros. The stored JSON holds no `seq`: a record's place is the
 * column. The other columns repeat what the JSON says and are compared with it.
 *
 * What the chain proves: whoever has noted one head (seq and hash) outside the file can tell that everything up to it is
 * as it was. Without such a note it proves that no record was changed, taken out, put in or moved by anyone who did not
 * compute all later hashes anew. It does not prove who wrote the file, nor that a whole file was not made up: there is no
 * secret in it. The audit prints the head so that it can be kept elsewhere.
 */
import { createHash } from 'node:crypto';

/** Before the first record: 32 zero bytes. */
export const NO_HASH: Uint8Array = new Uint8Array(32);

export function traceDigest(header: string, samples: Uint8Array): Uint8Array {
  return createHash('sha256').update(`torsiond trace 1\n${Buffer.byteLength(header)}\n`).update(header).update(samples).digest();
}

export function readingHash(record: {
  readonly seq: number;
  readonly storedMs: number;
  readonly previous: Uint8Array;
  readonly traceDigest: Uint8Array;
  readonly reading: string;
}): Uint8Array {
  return createHash('sha256')
    .update(`torsiond reading 1\n${record.seq}\n${record.storedMs}\n${hex(record.previous)}\n${hex(record.traceDigest)}\n`)
    .update(record.reading)
    .digest();
}

export function noteHash(record: {
  readonly number: number;
  readonly previous: Uint8Array;
  readonly readingHash: Uint8Array;
  readonly note: string;
}): Uint8Array {
  return createHash('sha256')
    .update(`torsiond note 1\n${record.number}\n${hex(record.previous)}\n${hex(record.readingHash)}\n`)
    .update(record.note)
    .digest();
}

export function hex(bytes: Uint8Array): string {
  return Buffer.from(bytes.buffer, bytes.byteOffset, bytes.byteLength).toString('hex');
}

export function sameBytes(a: Uint8Array, b: Uint8Array): boolean {
  return Buffer.compare(a, b) === 0;
}
