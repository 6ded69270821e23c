import { readdirSync, readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { SETTINGS_SCHEMA_FILE, settingsSchemaText } from '../../../config/generate/settings-schema.ts';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';

const FOLDER = new URL('../../../config/examples/', import.meta.url);
const examples = readdirSync(FOLDER).filter((name) => name.endsWith('.yaml'));

describe('the example settings', () => {
  it('are there', () => expect(examples.length).toBeGreaterThanOrEqual(2));

  it.each(examples)('%s have no fault with the real drivers and capture rules, and name the schema', (name) => {
    const text = readFileSync(new URL(name, FOLDER), 'utf8');
    expect(parseSettings(text, gatewayChecks).faults).toEqual([]);
    expect(text.split('\n')[0]).toBe('# yaml-language-server: $schema=../settings.schema.json');
  });
});

describe('config/settings.schema.json', () => {
  it('is what the settings schema gives; run "node config/generate/settings-schema.ts" when it differs', () => {
    expect(readFileSync(SETTINGS_SCHEMA_FILE, 'utf8')).toBe(settingsSchemaText());
  });

  it('describes the options of every driver', () => {
    const text = settingsSchemaText();
    for (const id of gatewayChecks.driverIds()) expect(text).toContain(`"const": ${JSON.stringify(id)}`);
  });
});
