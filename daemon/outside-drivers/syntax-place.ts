/** Where a module cannot be read: what `import` throws does not say it. */
import { execFile } from 'node:child_process';

const LIMIT_MS = 5_000;

/** @returns file and line, or null: the fault lies in another module, which the first one imports. Never throws, and runs nothing of the module. */
export function syntaxPlace(thrown: SyntaxError, file: string): Promise<string | null> {
  const told = placeIn(thrown.stack ?? '');
  if (told !== null) return Promise.resolve(told);
  return new Promise((done) => {
    execFile(process.execPath, ['--check', file], { timeout: LIMIT_MS, env: {} }, (_failed, _output, complaint) => done(placeIn(complaint)));
  });
}

/** Node writes the place before all else, where it does. */
function placeIn(text: string): string | null {
  return /^(?:file:\/\/)?(\/.*|[A-Z]:\\.*):(\d+)\n/.exec(text)?.slice(1).join(':') ?? null;
}
