/** Makes config/settings.schema.json from the settings schema; a test fails when the file differs. */
import { writeFileSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import * as z from 'zod';
import { Settings } from '../../daemon/settings/schema.ts';
import { BUILT_IN_DRIVERS } from '../../drivers/registry.ts';

export const SETTINGS_SCHEMA_FILE = fileURLToPath(new URL('../settings.schema.json', import.meta.url));

type Shape = Record<string, unknown>;

/** JSON Schema 2020-12 of the settings file. Editors with YAML support use it to complete and to check. */
export function settingsSchema(): Shape {
  const schema = z.toJSONSchema(Settings, { io: 'input', unrepresentable: 'any' }) as Shape;
  const instrument = ((schema.properties as Record<string, Shape>).instruments!.items as { properties: Record<string, Shape> });
  // The options of each driver are its own; the driver's id decides which hold.
  instrument.properties.driver = {
    ...instrument.properties.driver,
    allOf: BUILT_IN_DRIVERS.map((driver) => ({
      if: { properties: { id: { const: driver.id } } },
      then: { properties: { options: withoutDialect(z.toJSONSchema(driver.optionsSchema, { io: 'input', unrepresentable: 'any' })) } },
    })),
  };
  // What a transducer's data sheet fills may be left out beside it.
  const channel = (instrument.properties.channels!.items as { properties: Record<string, Shape>; required: string[] });
  const { required, ...transducer } = channel.properties.transducer!;
  channel.properties.transducer = { ...transducer, anyOf: [{ required }, { required: ['teds'] }] };
  // Left out, the mode in it is what is missing.
  const { default: _none, ...capture } = channel.properties.capture!;
  channel.properties.capture = capture;
  channel.required.push('capture');
  return { $schema: schema.$schema, $id: 'torsiond/settings.schema.json', title: 'torsiond settings', ...schema };
}

function withoutDialect(schema: object): Shape {
  return Object.fromEntries(Object.entries(schema).filter(([key]) => key !== '$schema'));
}

export function settingsSchemaText(): string {
  return `${JSON.stringify(settingsSchema(), null, 2)}\n`;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) writeFileSync(SETTINGS_SCHEMA_FILE, settingsSchemaText());
