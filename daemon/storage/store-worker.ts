/** Entry of the store's two worker threads: the one writer, and a reader for queries. No error leaves it but as an answer. */
import { parentPort, workerData } from 'node:worker_threads';
import { setImmediate as nextTurn } from 'node:timers/promises';
import { asTorsiondError } from '../../shared/errors.ts';
import { Reader } from './reader.ts';
import type { FromWorker, ToWorker, WorkerStart } from './worker-messages.ts';
import { Writer } from './writer.ts';

const port = parentPort!;
const start = workerData as WorkerStart;

function post(message: FromWorker, transfer: ArrayBuffer[] = []): void {
  port.postMessage(message, transfer);
}

function serveWriter(writer: Writer): void {
  port.on('message', (message: ToWorker) => {
    const { call } = message;
    try {
      if (message.kind === 'append') {
        if (message.maxPages !== null) writer.limitPages(message.maxPages);
        const outcomes = writer.append(message.batch, message.storedMs);
        post({ call, answer: outcomes.map((outcome) => ('error' in outcome ? { error: outcome.error.toJSON() } : outcome)) });
      } else if (message.kind === 'note') {
        post({ call, answer: writer.addNote(message.note, message.at) });
      } else if (message.kind === 'probe') {
        if (message.maxPages !== null) writer.limitPages(message.maxPages);
        writer.probe();
        post({ call, answer: null });
      } else if (message.kind === 'close') {
        writer.close();
        post({ call, answer: null });
        port.close();
      }
    } catch (thrown) {
      post({ call, error: asTorsiondError(thrown, 'STORE_FAILED').toJSON() });
    }
  });
}

function serveReader(reader: Reader): void {
  let isClosed = false;

  async function audit(call: number): Promise<void> {
    const steps = reader.audit();
    for (;;) {
      const step = steps.next();
      if (step.done === true) return post({ call, answer: step.value });
      post({ call, progress: step.value });
      // Other queries go first.
      await nextTurn();
      if (isClosed) return;
    }
  }

  port.on('message', (message: ToWorker) => {
    const { call } = message;
    const refuse = (thrown: unknown): void => post({ call, error: asTorsiondError(thrown, 'STORE_FAILED').toJSON() });
    try {
      if (message.kind === 'readings') {
        post({ call, answer: reader.readings(message.query) });
      } else if (message.kind === 'reading') {
        post({ call, answer: reader.reading(message.id) });
      } else if (message.kind === 'trace') {
        const trace = reader.trace(message.id);
        post({ call, answer: trace }, trace === null ? [] : [trace.device.buffer as ArrayBuffer]);
      } else if (message.kind === 'notes') {
        post({ call, answer: reader.notes(message.id) });
      } else if (message.kind === 'audit') {
        audit(call).catch(refuse);
      } else if (message.kind === 'close') {
        isClosed = true;
        reader.close();
        post({ call, answer: null });
        port.close();
      }
    } catch (thrown) {
      refuse(thrown);
    }
  });
}

try {
  if (start.role === 'writer') {
    const writer = new Writer(start.path, { log: (message) => post({ log: message }) });
    serveWriter(writer);
    post({ opened: { lastSeq: writer.lastSeq } });
  } else {
    const reader = new Reader(start.path);
    serveReader(reader);
    post({ opened: { lastSeq: reader.lastSeq } });
  }
} catch (thrown) {
  post({ refused: asTorsiondError(thrown, 'STORE_FAILED').toJSON() });
  port.close();
}
