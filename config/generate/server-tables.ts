/** Tables of daemon/server/README.md: addresses, messages, commands, limits. */
import { ROUTES } from '../../daemon/server/http/routes.ts';
import { HANDSHAKE_MS } from '../../daemon/server/http/http-app.ts';
import { FIRST_OFFER_MS, PAGE_BYTES_PER_SECOND, PAGE_MESSAGES_PER_SECOND, PAGE_SILENT_MS } from '../../drivers/links/page-port.ts';
import { CUTS_MAX, CUTS_SPAN_MS, WINDOW_BYTES, WRITE_LIMIT_MS } from '../../drivers/links/page-connection.ts';
import { PORT_PAYLOAD_MAX } from '../../shared/wire/port-bytes.ts';
import { MAX_PORT_PAGES } from '../../daemon/server/ports/port-server.ts';
import { gatewayPortMessages, pagePortMessages } from '../../daemon/server/documents/port-messages.ts';
import { clientCommands, serverMessages, type MessageFacts } from '../../daemon/server/documents/messages.ts';
import { inlineSchema } from '../../daemon/server/documents/schemas.ts';
import { FIRST_MESSAGE_MS, HEARTBEAT_MS, MAX_MISSED_HEARTBEATS } from '../../daemon/server/stream/client-session.ts';
import { OUTBOX_LIMITS } from '../../daemon/server/stream/client-outbox.ts';
import { MAX_BUFFERED_CHUNKS, MAX_FRAGMENTS, MAX_MESSAGE_BYTES, MAX_PENDING_COMMANDS, MESSAGES_PER_SECOND } from '../../daemon/server/stream/incoming.ts';
import { markdownTable, type DocSection } from './doc-section.ts';

const file = 'daemon/server/README.md';
const kib = (bytes: number): string => `${bytes / 1024} KiB`;
const seconds = (ms: number): string => `${ms / 1_000} s`;

/** `a`, `b?`: what a message carries beside its type; a question mark stands behind what may be left out. */
function fieldsOf(facts: MessageFacts, io: 'input' | 'output'): string {
  const { properties = {}, required = [] } = inlineSchema(facts.schema, io) as { properties?: Record<string, unknown>; required?: string[] };
  return Object.keys(properties).filter((name) => name !== 'type').map((name) => `\`${name}${required.includes(name) ? '' : '?'}\``).join(' ');
}

export const serverTables: readonly DocSection[] = [
  {
    file, name: 'addresses',
    render: () => markdownTable(['GET', 'scope', 'what'], [
      ...ROUTES.map((route) => [`\`${route.path}\``, route.scope, route.summary]),
      ['`/`', 'none', 'The page and its files.'],
    ]),
  },
  {
    file, name: 'server messages',
    render: () => markdownTable(['message', 'what', 'carries'], serverMessages.map((facts) => [`\`${facts.type}\``, facts.description, fieldsOf(facts, 'output')])),
  },
  {
    file, name: 'commands',
    render: () => markdownTable(['command', 'scope', 'what', 'carries'], clientCommands.map((facts) => [`\`${facts.type}\``, facts.scope, facts.description, fieldsOf(facts, 'input')])),
  },
  {
    file, name: 'port messages',
    render: () => markdownTable(['message', 'from', 'what', 'carries'], [
      ...pagePortMessages.map((facts) => [`\`${facts.type}\``, 'page', facts.description, fieldsOf(facts, 'input')]),
      ...gatewayPortMessages.map((facts) => [`\`${facts.type}\``, 'gateway', facts.description, fieldsOf(facts, 'output')]),
    ]),
  },
  {
    file, name: 'port limits',
    render: () => markdownTable(['limit', 'beyond it'], [
      [`${MAX_PORT_PAGES} pages with a port`, 'refused before the upgrade, 429'],
      [`${seconds(FIRST_OFFER_MS)} for the offer`, 'closed, 1008'],
      [`${PAGE_MESSAGES_PER_SECOND} messages or ${PAGE_BYTES_PER_SECOND / 1024 / 1024} MiB a second, ${kib(PORT_PAYLOAD_MAX)} of the device in a message`, 'closed, 1008'],
      [`${seconds(PAGE_SILENT_MS)} without an answer to a beat`, 'closed, 1001'],
      [`${kib(WINDOW_BYTES)} read and not taken`, 'the page stops reading; one that goes on loses its link'],
      ['a number left out', 'the link is lost'],
      [`${seconds(WRITE_LIMIT_MS)} for a write`, 'LINK_WRITE_TIMEOUT, and the link is lost'],
      [`${CUTS_MAX} read errors in ${seconds(CUTS_SPAN_MS)}`, 'the link is lost: check the line settings'],
    ]),
  },
  {
    file, name: 'limits',
    render: () => markdownTable(['limit', 'beyond it'], [
      [`${kib(MAX_MESSAGE_BYTES)} in a message`, 'closed, 1009'],
      [`${MAX_FRAGMENTS} fragments of a message, ${MAX_BUFFERED_CHUNKS} pieces waiting`, 'closed, 1008'],
      [`${MESSAGES_PER_SECOND} messages, pings and unasked pongs a second`, 'closed, 1008'],
      [`${MAX_PENDING_COMMANDS} commands under way`, 'refused, LIMIT_REACHED'],
      [`${seconds(HANDSHAKE_MS)} for the request, ${seconds(FIRST_MESSAGE_MS)} for the first valid message`, 'closed, 1008'],
      [`${MAX_MISSED_HEARTBEATS} heartbeats of ${seconds(HEARTBEAT_MS)} missed`, 'cut'],
      ['`server.maxClients` WebSocket clients', 'refused before the upgrade, 429'],
      ['binary commands', 'closed, 1003'],
      [`${kib(OUTBOX_LIMITS.slowBytes)} or ${seconds(OUTBOX_LIMITS.slowAgeMs)} on the way to a client`, 'samples and live values skipped and told; readings wait in the store'],
      [`${kib(OUTBOX_LIMITS.closeBytes)} or ${seconds(OUTBOX_LIMITS.closeAgeMs)} on the way to a client`, 'closed, 1013: come back with `since`'],
      ['the token is revoked', 'closed, 1008'],
      ['the store cannot be read for a catch-up', 'closed, 1011: come back with `since`'],
      ['the gateway stops', 'closed, 1001'],
    ]),
  },
];
