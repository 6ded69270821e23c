/** The table of options on the page of each driver: wherever a page has the marks for it. */
import { globSync, readFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';
import { markdownTable, type DocSection } from './doc-section.ts';
import { settingsRows } from './settings-table.ts';

const ROOT = fileURLToPath(new URL('../..', import.meta.url));
const PAGES: readonly string[] = globSync('drivers/protocols/*/README.md', { cwd: ROOT }).sort();

/** Marks name the driver, for example `options of framed-binary`. */
export const driverTables: readonly DocSection[] = PAGES.flatMap((file) => {
  const text = readFileSync(`${ROOT}/${file}`, 'utf8');
  return BUILT_IN_DRIVERS.map((driver) => ({ driver, name: `options of ${driver.id}` })).filter(({ name }) => text.includes(`<!-- generated: ${name} -->`))
    .map(({ driver, name }) => ({ file, name, render: () => markdownTable(['option', 'allowed', 'default', 'meaning'], settingsRows(driver.optionsSchema)) }));
});
