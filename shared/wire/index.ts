/** `torsiond/wire`: the schemas of everything that goes over HTTP and WebSocket, for those who check what they receive. */
export * from './binary-samples.ts';
export * from './commands.ts';
export * from './events.ts';
export * from './port-bytes.ts';
export * from './port-messages.ts';
export { PORT_SUBPROTOCOL, PORTS_PATH, STREAM_PATH } from './protocol.ts';
