/** `torsiond/wire`: the schemas of everything that goes over HTTP and WebSocket, for those who check what they receive. */
export * from './binary-samples.ts';
export * from './commands.ts';
export * from './events.ts';
export { STREAM_PATH } from './protocol.ts';
