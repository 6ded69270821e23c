import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { Validator } from '@seriousme/openapi-schema-validator';
import { Ajv } from 'ajv';
import { Ajv2020 } from 'ajv/dist/2020.js';
import { describe, expect, it } from 'vitest';
import { asyncApiDocument } from '../../../daemon/server/documents/asyncapi.ts';
import { clientCommands, serverMessages } from '../../../daemon/server/documents/messages.ts';
import { gatewayPortMessages, pagePortMessages } from '../../../daemon/server/documents/port-messages.ts';
import { openApiDocument, openApiPath } from '../../../daemon/server/documents/openapi.ts';
import { ROUTES } from '../../../daemon/server/http/routes.ts';
import { ClientMessage } from '../../../shared/wire/commands.ts';
import { PortGatewayMessage, PortPageMessage } from '../../../shared/wire/port-messages.ts';
import { GatewayEvent, ServerMessage } from '../../../shared/wire/events.ts';
import { channel, FakeGateway, instrument, reading } from '../../helpers/fake-gateway.ts';

type Json = Record<string, unknown>;
const openApi = openApiDocument(ROUTES, '1.2.3') as Json & { paths: Record<string, { get: Json & { parameters?: { name: string }[] } }>; components: { schemas: Json } };
const asyncApi = asyncApiDocument('1.2.3') as Json & { components: { messages: Record<string, { name: string; payload: Json }>; schemas: Json }; channels: { stream: { messages: Json }; ports: { messages: Json } }; operations: Record<string, { messages: { $ref: string }[] }> };

/** Every reference of a document, each of which must lead somewhere. */
function danglingRefs(document: Json): string[] {
  const refs: string[] = [];
  const walk = (node: unknown): void => {
    if (typeof node !== 'object' || node === null) return;
    for (const [key, value] of Object.entries(node)) {
      if (key === '$ref' && typeof value === 'string') refs.push(value);
      else walk(value);
    }
  };
  walk(document);
  return refs.filter((ref) => {
    let at: unknown = document;
    for (const part of ref.slice(2).split('/')) at = (at as Json | undefined)?.[part.replaceAll('~1', '/').replaceAll('~0', '~')];
    return !ref.startsWith('#/') || at === undefined;
  });
}

describe('the OpenAPI document', () => {
  it('is valid OpenAPI 3.1', async () => {
    const validator = new Validator();
    const result = await validator.validate(structuredClone(openApi));
    expect(result.errors ?? []).toEqual([]);
    expect(validator.version).toBe('3.1');
    expect(danglingRefs(openApi)).toEqual([]);
    // The check can fail.
    expect((await new Validator().validate({ ...structuredClone(openApi), paths: { '/x': { get: { responses: 'none' } } } })).valid).toBe(false);
  });

  it('describes every address that is served, and no other', () => {
    expect(Object.keys(openApi.paths).sort()).toEqual(ROUTES.map((route) => openApiPath(route.path)).sort());
    expect(openApi.paths['/api/v1/readings']!.get.parameters!.map((parameter) => parameter.name)).toEqual(['afterSeq', 'since', 'channel', 'limit', 'order']);
    expect(openApi.paths['/api/v1/readings/{id}']!.get.parameters).toMatchObject([{ name: 'id', in: 'path', required: true }]);
    expect(openApi.paths['/healthz']!.get).toMatchObject({ security: [] });
    expect(new Set(Object.values(openApi.paths).map(({ get }) => get.operationId)).size).toBe(ROUTES.length);
  });
});

describe('the AsyncAPI document', () => {
  it('is valid AsyncAPI 3.0', () => {
    const require = createRequire(import.meta.url);
    const file = require.resolve('@asyncapi/specs/schemas/3.0.0-without-$id.json');
    const ajv = new Ajv({ strict: false, allErrors: true, validateFormats: false });
    const validate = ajv.compile(JSON.parse(readFileSync(file, 'utf8')) as object);
    const isValid = validate(JSON.parse(JSON.stringify(asyncApi)));
    expect(validate.errors ?? []).toEqual([]);
    expect(isValid).toBe(true);
    expect(danglingRefs(asyncApi)).toEqual([]);
    // The check can fail.
    expect(validate({ ...asyncApi, operations: { announce: { action: 'shout', channel: { $ref: '#/channels/stream' } } } })).toBe(false);
    expect(danglingRefs({ a: { $ref: '#/b' } })).toEqual(['#/b']);
  });

  it('describes every message of the wire, each in its direction', () => {
    const types = (schema: typeof ServerMessage | typeof ClientMessage): string[] => schema.options.map((option) => option.shape.type.value);
    const listed = (operation: string): string[] => asyncApi.operations[operation]!.messages.map(({ $ref }) => asyncApi.components.messages[$ref.split('/').at(-1)!]!.name);
    expect(listed('announce').sort()).toEqual([...types(ServerMessage), 'sample frame'].sort());
    expect(listed('command').sort()).toEqual(types(ClientMessage).sort());
    expect(listed('bringPort').sort()).toEqual([...PortPageMessage.options.map((option) => option.shape.type.value as string), 'port bytes'].sort());
    expect(listed('servePort').sort()).toEqual([...PortGatewayMessage.options.map((option) => option.shape.type.value as string), 'port bytes'].sort());
    const { stream, ports } = asyncApi.channels;
    expect([...Object.keys(stream.messages), ...Object.keys(ports.messages)].sort()).toEqual(Object.keys(asyncApi.components.messages).sort());
  });

  it('says what each message means', () => {
    for (const facts of [...serverMessages, ...clientCommands, ...gatewayPortMessages, ...pagePortMessages]) expect(facts.description, facts.type).not.toBe('');
  });
});

/** The JSON Schemas of the documents say the same as the zod schemas that check. */
describe('the schemas of the documents', () => {
  const ajv = new Ajv2020({ strict: false, validateFormats: false });
  ajv.addSchema({ $id: 'openapi', components: openApi.components });
  ajv.addSchema({ $id: 'asyncapi', components: asyncApi.components });
  const fits = (document: string, name: string, value: unknown): string => {
    const validate = ajv.getSchema(`${document}#/components/schemas/${name}`)!;
    return validate(JSON.parse(JSON.stringify(value))) ? 'fits' : ajv.errorsText(validate.errors);
  };

  it('take what the daemon sends', () => {
    const gateway = new FakeGateway();
    const events: GatewayEvent[] = [];
    gateway.events$.subscribe((event) => events.push(event));
    gateway.take();
    for (const event of events) {
      expect(GatewayEvent.safeParse(event).success).toBe(true);
      expect(fits('asyncapi', 'ReadingStoredMessage', event)).toBe('fits');
    }
    expect(fits('openapi', 'Reading', { ...reading(1), seq: 1 })).toBe('fits');
    expect(fits('openapi', 'Instrument', instrument('bench-a'))).toBe('fits');
    expect(fits('asyncapi', 'Channel', channel('bench-a/1', 0))).toBe('fits');
  });

  it('refuse what the daemon refuses', () => {
    expect(fits('asyncapi', 'SubscribeMessage', { type: 'subscribe', id: 'a' })).toBe('fits');
    expect(fits('asyncapi', 'SubscribeMessage', { type: 'subscribe', id: 'a', liveHz: 51 })).not.toBe('fits');
    expect(fits('asyncapi', 'PingMessage', { type: 'ping', id: 'a', extra: 1 })).not.toBe('fits');
    expect(fits('asyncapi', 'ConfigureMessage', { type: 'configure', id: 'a' })).not.toBe('fits');
  });
});
