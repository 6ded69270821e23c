import type * as z from 'zod';
import { ERROR_TABLE, type ErrorCode } from '../../../shared/error-table.ts';
import { Reading } from '../../../shared/reading.ts';
import { ChannelInfo, InstrumentInfo, ScannerInfo } from '../../../shared/wire/events.ts';
import { ErrorAnswer, EvidenceAnswer, StoredReadingAnswer } from '../http/answers.ts';
import type { Route } from '../http/route.ts';
import { inlineSchema, namedSchemas, type JsonSchema } from './schemas.ts';

const NAMED = { Reading, StoredReading: StoredReadingAnswer, Instrument: InstrumentInfo, Channel: ChannelInfo, Scanner: ScannerInfo, Evidence: EvidenceAnswer, Error: ErrorAnswer };

/** The HTTP interface as OpenAPI 3.1, from the routes that are registered. */
export function openApiDocument(routes: readonly Route[], version: string): JsonSchema {
  const answers = Object.fromEntries(routes.flatMap((route) => ('mediaType' in route.answer ? [] : [[answerName(route), route.answer]])));
  const named: Record<string, z.ZodType> = { ...answers };
  // A schema has one name: where a route's answer is one of the named, that name stays.
  for (const [name, schema] of Object.entries(NAMED)) {
    for (const [other, taken] of Object.entries(named)) if (taken === schema) delete named[other];
    named[name] = schema;
  }
  const nameOf = new Map(Object.entries(named).map(([name, schema]) => [schema, name]));
  return {
    openapi: '3.1.0',
    info: {
      title: 'torsiond', version, license: { name: 'MIT', identifier: 'MIT' },
      description: 'Readings, traces and the state of a torque bench. Live values, events and commands are in /api/v1/asyncapi.json.',
    },
    servers: [{ url: '/' }],
    security: [{ token: [] }],
    paths: Object.fromEntries(routes.map((route) => [openApiPath(route.path), { get: operation(route, nameOf) }])),
    components: {
      schemas: namedSchemas(named, 'output'),
      securitySchemes: { token: { type: 'http', scheme: 'bearer', description: 'A token of "torsiond token create"; every one may read.' } },
    },
  };
}

export function openApiPath(path: string): string {
  return path.replace(/:(\w+)/g, '{$1}');
}

function operation(route: Route, nameOf: ReadonlyMap<z.ZodType, string>): JsonSchema {
  const codes = [...(route.scope === 'read' ? ['ACCESS_TOKEN'] : []), 'ACCESS_HOST', 'ACCESS_ORIGIN', 'MESSAGE_INVALID', ...route.errors, 'INTERNAL'] as ErrorCode[];
  const content = 'mediaType' in route.answer
    ? { [route.answer.mediaType.split(';', 1)[0]!]: route.answer.isBinary ? {} : { schema: { type: 'string' } } }
    : { 'application/json': { schema: { $ref: `#/components/schemas/${nameOf.get(route.answer)}` } } };
  const parameters = [...fields(route.params, 'path'), ...fields(route.query, 'query')];
  return {
    operationId: operationName(route), summary: route.summary,
    ...(route.scope === 'none' ? { security: [] } : {}),
    ...(parameters.length === 0 ? {} : { parameters }),
    responses: {
      200: { description: 'As asked.', content },
      ...errorResponses(codes),
      ...Object.fromEntries(Object.entries(route.otherStatuses ?? {}).map(([status, description]) => [status, { description, content }])),
    },
  };
}

function errorResponses(codes: readonly ErrorCode[]): JsonSchema {
  const byStatus = new Map<number, ErrorCode[]>();
  for (const code of codes) byStatus.set(ERROR_TABLE[code].http, [...(byStatus.get(ERROR_TABLE[code].http) ?? []), code]);
  return Object.fromEntries([...byStatus].map(([status, list]) => [status, {
    description: list.join(', '), content: { 'application/json': { schema: { $ref: '#/components/schemas/Error' } } },
  }]));
}

function fields(schema: z.ZodType | null, place: 'path' | 'query'): JsonSchema[] {
  if (schema === null) return [];
  const { properties = {}, required = [] } = inlineSchema(schema, 'output') as { properties?: Record<string, JsonSchema>; required?: string[] };
  return Object.entries(properties).map(([name, { description, ...rest }]) => ({
    name, in: place, required: place === 'path' || required.includes(name), ...(description === undefined ? {} : { description }), schema: rest,
  }));
}

/** `/api/v1/readings/:id/trace` → `readingsIdTrace`. */
function operationName(route: Route): string {
  const words = route.path.replace('/api/v1/', '').split(/[^A-Za-z]+/).filter((word) => word !== '');
  return words.map((word, i) => (i === 0 ? word : word[0]!.toUpperCase() + word.slice(1))).join('');
}

function answerName(route: Route): string {
  const name = operationName(route);
  return `${name[0]!.toUpperCase()}${name.slice(1)}Answer`;
}
