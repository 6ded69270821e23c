/** The conversation with a page that brings a port, for the AsyncAPI document and the tables. */
import type * as z from 'zod';
import { PORT_HEADER_BYTES, PORT_PAYLOAD_MAX } from '../../../shared/wire/port-bytes.ts';
import { PortGatewayMessage, PortPageMessage } from '../../../shared/wire/port-messages.ts';
import { PORT_SUBPROTOCOL, PORTS_PATH, TOKEN_SUBPROTOCOL_PREFIX } from '../../../shared/wire/protocol.ts';
import type { MessageFacts } from './messages.ts';
import { namedSchemas, type JsonSchema } from './schemas.ts';

export const pagePortMessages: readonly MessageFacts[] = PortPageMessage.options.map((schema) => factsOf(schema, 'Page'));
export const gatewayPortMessages: readonly MessageFacts[] = PortGatewayMessage.options.map((schema) => factsOf(schema, 'Gateway'));

function factsOf(schema: z.ZodObject, sender: 'Page' | 'Gateway'): MessageFacts {
  const type = [...(schema.shape.type as z.ZodLiteral<string>).values][0]!;
  const name = `Port${sender}${type.split('-').map((word) => word[0]!.toUpperCase() + word.slice(1)).join('')}`;
  return { type, name, schema, description: schema.description ?? '' };
}

const reference = (name: string): JsonSchema => ({ $ref: `#/channels/ports/messages/${name}` });

/** What the AsyncAPI document says of ports: parts to be joined with those of the stream. */
export function portDocument(): { readonly channel: JsonSchema; readonly operations: JsonSchema; readonly messages: JsonSchema; readonly schemas: JsonSchema } {
  const all = [...gatewayPortMessages, ...pagePortMessages];
  const payloads = (list: readonly MessageFacts[]): Record<string, z.ZodType> => Object.fromEntries(list.map(({ name, schema }) => [`${name}Message`, schema]));
  return {
    channel: {
      address: `${PORTS_PATH}{instrument}`, title: 'ports',
      description: `A page brings the bytes of a serial port of its computer for an instrument whose link has kind browser, or of a USB device for one with kind browser-usb. Subprotocol ${PORT_SUBPROTOCOL}, with ${TOKEN_SUBPROTOCOL_PREFIX} and the token beside it; scope operate. The page offers; the gateway opens, closes and opens again. Reads and cuts of one opening are numbered from 0 without a hole.`,
      parameters: { instrument: { description: 'Id of the instrument.' } },
      messages: {
        ...Object.fromEntries(all.map(({ name }) => [name, { $ref: `#/components/messages/${name}` }])),
        PortBytes: { $ref: '#/components/messages/PortBytes' },
      },
    },
    operations: {
      servePort: { action: 'send', channel: { $ref: '#/channels/ports' }, summary: 'What the gateway sends to a page with a port.', messages: [...gatewayPortMessages.map(({ name }) => reference(name)), reference('PortBytes')] },
      bringPort: { action: 'receive', channel: { $ref: '#/channels/ports' }, summary: 'What a page with a port sends.', messages: [...pagePortMessages.map(({ name }) => reference(name)), reference('PortBytes')] },
    },
    messages: {
      ...Object.fromEntries(all.map(({ name, type, description }) => [name, { name: type, title: type, description, payload: { $ref: `#/components/schemas/${name}Message` } }])),
      PortBytes: {
        name: 'port bytes', title: 'Bytes of a port', contentType: 'application/octet-stream',
        description: `Bytes read from the device, or to be written to it. ${PORT_HEADER_BYTES} bytes of header, little-endian: uint8 layout (1), uint8 kind (1 read, 2 write), uint16 0, uint32 connection, uint32 number, uint32 0, float64 time of the read in ms of the page's own monotonic clock (0 for writes); then at most ${PORT_PAYLOAD_MAX} bytes.`,
        payload: { type: 'string', format: 'binary' },
      },
    },
    schemas: { ...namedSchemas(payloads(gatewayPortMessages), 'output'), ...namedSchemas(payloads(pagePortMessages), 'input') },
  };
}
