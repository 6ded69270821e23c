import type * as z from 'zod';
import { Reading } from '../../../shared/reading.ts';
import { STREAM_PATH, SUBPROTOCOL, TOKEN_SUBPROTOCOL_PREFIX } from '../../../shared/wire/protocol.ts';
import { ChannelInfo, Fault, InstrumentInfo, ScannerInfo } from '../../../shared/wire/events.ts';
import { clientCommands, serverMessages, type MessageFacts } from './messages.ts';
import { portDocument } from './port-messages.ts';
import { namedSchemas, type JsonSchema } from './schemas.ts';

const SHARED = { Reading, Instrument: InstrumentInfo, Channel: ChannelInfo, Scanner: ScannerInfo, Fault };
/** Names of the shared schemas and of the messages' payloads never meet. */
const payloadName = (facts: MessageFacts): string => `${facts.name}Message`;

/** The WebSocket interface as AsyncAPI 3.0, from the schemas that check it. */
export function asyncApiDocument(version: string): JsonSchema {
  const all = [...serverMessages, ...clientCommands];
  const ports = portDocument();
  return {
    asyncapi: '3.0.0',
    info: {
      title: 'torsiond stream', version, license: { name: 'MIT' },
      description: `Live values, events and commands over one WebSocket, subprotocol ${SUBPROTOCOL}; the bytes of ports at other computers over another. Readings and traces are in /api/v1/openapi.json too.`,
    },
    defaultContentType: 'application/json',
    servers: {
      gateway: {
        host: '127.0.0.1:7616', protocol: 'ws', description: 'Address and port are settings.',
        security: [{ $ref: '#/components/securitySchemes/token' }, { $ref: '#/components/securitySchemes/subprotocolToken' }],
      },
    },
    channels: {
      ports: ports.channel,
      stream: {
        address: STREAM_PATH, title: 'stream',
        description: 'The gateway greets with hello; a client then subscribes. Every command is answered by ok or refused with its id.',
        messages: {
          ...Object.fromEntries(all.map((facts) => [facts.name, { $ref: `#/components/messages/${facts.name}` }])),
          SampleFrame: { $ref: '#/components/messages/SampleFrame' },
        },
      },
    },
    operations: {
      ...ports.operations,
      announce: { action: 'send', channel: { $ref: '#/channels/stream' }, summary: 'What the gateway sends.', messages: [...serverMessages.map((facts) => channelMessage(facts.name)), channelMessage('SampleFrame')] },
      command: {
        action: 'receive', channel: { $ref: '#/channels/stream' }, summary: 'What a client may send.', messages: clientCommands.map((facts) => channelMessage(facts.name)),
        reply: { channel: { $ref: '#/channels/stream' }, messages: [channelMessage('Ok'), channelMessage('Refused')] },
      },
    },
    components: {
      messages: {
        ...ports.messages,
        ...Object.fromEntries(serverMessages.map((facts) => [facts.name, message(facts, facts.description)])),
        ...Object.fromEntries(clientCommands.map((facts) => [facts.name, message(facts, `${facts.description} Needs scope ${facts.scope}.`)])),
        SampleFrame: {
          name: 'sample frame', title: 'Binary sample frame', contentType: 'application/octet-stream',
          description: 'Samples of a channel, for clients that asked for them as binary (Float32) or binary64 (Float64). Little-endian: uint8 layout (1), uint8 sample type (1 Float32, 2 Float64), uint16 channel index, uint32 epoch, float64 index of the first sample, float64 its wall time in ms since 1970, float64 spacing in ms, uint32 number of samples, uint32 flags (bit 0: does not continue the frame before), then the samples in N.m, counter-clockwise negative.',
          payload: { type: 'string', format: 'binary' },
        },
      },
      schemas: {
        ...ports.schemas,
        ...namedSchemas({ ...SHARED, ...payloads(serverMessages) }, 'output'),
        ...namedSchemas(payloads(clientCommands), 'input'),
      },
      securitySchemes: {
        token: { type: 'http', scheme: 'bearer', description: 'For programs: Authorization: Bearer and the token.' },
        subprotocolToken: {
          type: 'httpApiKey', in: 'header', name: 'Sec-WebSocket-Protocol',
          description: `For browsers: the subprotocols ${SUBPROTOCOL} and ${TOKEN_SUBPROTOCOL_PREFIX} followed by the token.`,
        },
      },
    },
  };
}

function payloads(list: readonly MessageFacts[]): Record<string, z.ZodType> {
  return Object.fromEntries(list.map((facts) => [payloadName(facts), facts.schema]));
}

function message(facts: MessageFacts, description: string): JsonSchema {
  return { name: facts.type, title: facts.type, description, payload: { $ref: `#/components/schemas/${payloadName(facts)}` } };
}

function channelMessage(name: string): JsonSchema {
  return { $ref: `#/channels/stream/messages/${name}` };
}
