/** Writes the generated parts of the documents: `node config/generate-docs.ts`. A test fails when one differs. */
import { readFileSync, writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { withSection, type DocSection } from './generate/doc-section.ts';
import { detectorTable } from './generate/detector-table.ts';
import { driverTables } from './generate/driver-tables.ts';
import { errorTable } from './generate/error-table.ts';
import { readmeTables } from './generate/readme-tables.ts';
import { serverTables } from './generate/server-tables.ts';
import { settingsTable } from './generate/settings-table.ts';

export const DOC_SECTIONS: readonly DocSection[] = [...readmeTables, ...errorTable, ...detectorTable, ...serverTables, ...settingsTable, ...driverTables];

export const documentPath = (section: DocSection): string => fileURLToPath(new URL(`../${section.file}`, import.meta.url));

if (process.argv[1] === fileURLToPath(import.meta.url)) {
  for (const section of DOC_SECTIONS) {
    const path = documentPath(section);
    writeFileSync(path, withSection(readFileSync(path, 'utf8'), section));
  }
}
