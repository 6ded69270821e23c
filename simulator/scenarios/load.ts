/** Scenario files: those that come with the simulator, and the user's own. */
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { LineCounter, parseDocument } from 'yaml';
import { TorsiondError } from '../../shared/errors.ts';
import { Scenario } from './schema.ts';

/** Beside this file in the sources; in a package this file is in dist/simulator/scenarios and the YAML in simulator/scenarios. */
const FOLDERS = [import.meta.dirname, join(import.meta.dirname, '..', '..', '..', 'simulator', 'scenarios')];

function folder(): string {
  return FOLDERS.find((path) => existsSync(join(path, 'bench.yaml'))) ?? FOLDERS[0]!;
}

/** Names and titles of the scenarios that come along, in order of the name. */
export function listScenarios(): { name: string; title: string; description: string }[] {
  return readdirSync(folder()).filter((file) => file.endsWith('.yaml')).sort().map((file) => {
    const scenario = readScenario(join(folder(), file));
    return { name: file.slice(0, -'.yaml'.length), title: scenario.title, description: scenario.description };
  });
}

/** A scenario by its name, or from a file when the text has a slash or ends in .yaml. @throws TorsiondError SIM_SCENARIO */
export function loadScenario(nameOrFile: string): Scenario {
  if (/[\\/]|\.ya?ml$/.test(nameOrFile)) return readScenario(nameOrFile);
  const file = join(folder(), `${nameOrFile}.yaml`);
  if (!existsSync(file)) {
    throw new TorsiondError('SIM_SCENARIO', `no scenario is called "${nameOrFile}"; there are ${listScenarios().map((entry) => entry.name).join(', ')}`, { where: nameOrFile });
  }
  return readScenario(file);
}

function readScenario(file: string): Scenario {
  let text: string;
  try {
    text = readFileSync(file, 'utf8');
  } catch (error) {
    throw new TorsiondError('SIM_SCENARIO', `the scenario file cannot be read: ${(error as Error).message}`, { where: file, cause: error });
  }
  return parseScenario(text, file);
}

/** @throws TorsiondError SIM_SCENARIO with every fault, `where` naming file, line and column of the first. */
export function parseScenario(text: string, file: string): Scenario {
  const lines = new LineCounter();
  const document = parseDocument(text, { merge: true, lineCounter: lines, prettyErrors: false });
  const at = (offset: number): string => {
    const { line, col } = lines.linePos(offset);
    return `${file}:${line}:${col}`;
  };
  const [broken] = document.errors;
  if (broken) {
    throw new TorsiondError('SIM_SCENARIO', `the file is not YAML: ${broken.message}`, { where: at(broken.pos[0]), hint: 'Correct the named line.' });
  }
  const parsed = Scenario.safeParse(document.toJS());
  if (parsed.success) return parsed.data;
  const { issues } = parsed.error;
  const position = (path: readonly PropertyKey[]): string => {
    for (let length = path.length; length > 0; length--) {
      const node = document.getIn(path.slice(0, length), true) as { range?: [number, number, number] } | undefined;
      if (node?.range) return at(node.range[0]);
    }
    return file;
  };
  const faults = issues.map((issue) => `${issue.path.map(String).join('.') || 'the file'}: ${issue.message}`);
  throw new TorsiondError('SIM_SCENARIO', faults.join('; '), { where: position(issues[0]!.path), hint: 'Correct the named places of the scenario file.' });
}
