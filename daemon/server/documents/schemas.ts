import * as z from 'zod';

export type JsonSchema = Record<string, unknown>;

/**
 * JSON Schemas of named zod schemas, which refer to one another by name.
 * @param io `input`: what a sender may leave out is optional; `output`: what a receiver will find
 */
export function namedSchemas(named: Readonly<Record<string, z.ZodType>>, io: 'input' | 'output'): Record<string, JsonSchema> {
  const registry = z.registry<{ id: string }>();
  for (const [id, schema] of Object.entries(named)) registry.add(schema, { id });
  const { schemas } = z.toJSONSchema(registry, { io, uri: (id) => `#/components/schemas/${id}`, unrepresentable: 'any' });
  return Object.fromEntries(Object.entries(schemas).map(([id, schema]) => [id, plain(schema as JsonSchema)]));
}

/** One schema by itself. */
export function inlineSchema(schema: z.ZodType, io: 'input' | 'output'): JsonSchema {
  return plain(z.toJSONSchema(schema, { io, unrepresentable: 'any' }));
}

/** Inside a document a schema's place is its identity. */
function plain(schema: JsonSchema): JsonSchema {
  return Object.fromEntries(Object.entries(schema).filter(([key]) => key !== '$schema' && key !== '$id'));
}
