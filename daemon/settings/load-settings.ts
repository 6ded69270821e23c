/** The settings file: YAML in, checked settings or every fault with its line out. */
import { readFile, stat } from 'node:fs/promises';
import { LineCounter, parseDocument } from 'yaml';
import { TorsiondError } from '../../shared/errors.ts';
import { checkSettings, settingsParts, type Finding, type SettingsChecks } from './check-settings.ts';
import { describe, issueExplainer } from './explain-issue.ts';
import { Settings } from './schema.ts';
import { formatPath, type SettingsFault } from './settings-fault.ts';
import { fillFromTeds } from './teds-fill.ts';
import { unfilledFindings } from './unfilled.ts';
import { yamlPositions } from './yaml-positions.ts';

/** A settings file is written by hand; a larger one is something else. */
const LONGEST_MESSAGE = 120;
const LARGEST_FILE_BYTES = 1_048_576;

/** Where somebody may look for a unit, who does not know that there is one place for it. */
const OTHER_PLACES = /^instruments\[\d+\]\.(?:channels\[\d+\]\.capture|driver\.options)\.unit$/;
const ONE_PLACE = 'is not a setting here; a channel has one unit, which stands in its entry of "channels" as "unit" and holds for its readings and for every torque of its settings; what the device sends, where it differs, stands there as "deviceUnit"';

export type ParsedSettings =
  | { readonly settings: Settings; readonly faults: readonly [] }
  | { readonly settings: null; readonly faults: readonly SettingsFault[] };

/** Pure. An empty text means all defaults. Faults come in the order of the file. */
export function parseSettings(text: string, checks: SettingsChecks): ParsedSettings {
  const lines = new LineCounter();
  const document = parseDocument(text, { lineCounter: lines, prettyErrors: false, stringKeys: true });
  const positions = yamlPositions(document, lines);
  // Behind the first broken syntax the parser guesses, and what it says there is of no use to anybody.
  const broken = document.errors.find((error) => error.code !== 'DUPLICATE_KEY');
  const faults: SettingsFault[] = (broken ? [broken] : [...document.errors, ...document.warnings]).map((error) => ({
    code: 'SETTINGS_INVALID', ...positions.at(error.pos[0]), path: '', message: yamlMessage(error.code, error.message, /^[^:\n]*/.exec(text.slice(error.pos[0]))![0]),
  }));
  // A key given twice leaves the rest of the file readable; a broken syntax does not.
  if (broken) return { settings: null, faults };

  let input: unknown;
  try {
    input = document.toJS({ maxAliasCount: 100 }) ?? {};
  } catch (thrown) {
    faults.push({ code: 'SETTINGS_INVALID', line: 1, column: 1, path: '', message: thrown instanceof Error ? thrown.message : String(thrown) });
    return { settings: null, faults };
  }
  const unfilled = unfilledFindings(input);
  const filled = fillFromTeds(input);
  input = filled.input;
  const parsed = Settings.safeParse(input);
  const explainer = issueExplainer(Settings);
  // What a data sheet would have filled is not missing beside the fault of the data sheet.
  const untold = new Set(filled.findings.map((finding) => formatPath(finding.path.slice(0, -1))));
  const misfits = (parsed.error?.issues ?? []).flatMap((issue) => explainer.explain(issue, input))
    .filter(({ path, message }) => !message.startsWith('is missing') || !untold.has(formatPath(path.slice(0, -1))));
  const findings: readonly Finding[] = [
    ...unfilled,
    ...[
      ...misfits.map((explained) => ({ code: 'SETTINGS_INVALID' as const, ...explained })),
      ...filled.findings,
      ...checkSettings(settingsParts(input), checks),
    ].filter(({ path }) => !unfilled.some((one) => formatPath(one.path) === formatPath(path)))
      .map((one) => (OTHER_PLACES.test(formatPath(one.path)) && one.message.startsWith('is not a setting here') ? { ...one, message: ONE_PLACE } : one)),
  ];
  for (const finding of findings) {
    const position = finding.concernsKey ? positions.ofKey(finding.path) : positions.ofValue(finding.path);
    faults.push({ code: finding.code, ...position, path: formatPath(finding.path), message: finding.message });
  }
  return parsed.success && faults.length === 0 ? { settings: parsed.data, faults: [] } : { settings: null, faults: inOrder(faults) };
}

function inOrder(faults: readonly SettingsFault[]): readonly SettingsFault[] {
  return [...faults].sort((a, b) => a.line - b.line || a.column - b.column);
}

function yamlMessage(code: string, message: string, source: string): string {
  switch (code) {
    case 'DUPLICATE_KEY': return `${describe(source.trim())} stands twice in the same map; each key is allowed once`;
    case 'MULTIPLE_DOCS': return 'a second document begins here; one is allowed';
    case 'TAB_AS_INDENT': return 'a tab indents this line; only spaces are allowed';
    default: return `is not YAML: ${shortened(message.replace(/\.$/, ''))}`;
  }
}

/** The parser may quote the whole rest of the file. */
function shortened(message: string): string {
  const line = message.replace(/\s+/g, ' ');
  return line.length > LONGEST_MESSAGE ? `${line.slice(0, LONGEST_MESSAGE)} …` : line;
}

/** @throws TorsiondError INPUT_NOT_FOUND, INPUT_FORMAT */
export async function readSettingsText(file: string): Promise<string> {
  try {
    const facts = await stat(file);
    if (!facts.isFile()) throw new TorsiondError('INPUT_FORMAT', 'this is not a file', { where: file, hint: 'Give the path of a settings file.' });
    if (facts.size > LARGEST_FILE_BYTES) {
      throw new TorsiondError('INPUT_FORMAT', `the file has ${facts.size} bytes; a settings file has at most ${LARGEST_FILE_BYTES}`, {
        where: file, hint: 'Give the path of a settings file.',
      });
    }
    return await readFile(file, 'utf8');
  } catch (thrown) {
    if (thrown instanceof TorsiondError) throw thrown;
    const code = (thrown as NodeJS.ErrnoException).code;
    const what = code === 'ENOENT' || code === 'ENOTDIR' ? 'there is no such settings file' : code === 'EACCES' ? 'the settings file may not be read' : `the settings file cannot be read (${code ?? String(thrown)})`;
    throw new TorsiondError('INPUT_NOT_FOUND', what, { where: file, cause: thrown });
  }
}

/** All defaults: a station without instruments. */
export function defaultSettings(): Settings {
  return Settings.parse({});
}
