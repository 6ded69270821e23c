/** Names that both ends of the WebSocket use. Apart from the schemas, so that a browser bundle needs no zod for them. */

export const SUBPROTOCOL = 'torsiond.v1';
/** A browser sends its token as a second subprotocol: this prefix and the token. */
export const TOKEN_SUBPROTOCOL_PREFIX = 'torsiond.token.';
export const STREAM_PATH = '/api/v1/stream';
/** Where a page brings the bytes of a port that is plugged into its own computer: this path and the id of the instrument. */
export const PORTS_PATH = '/api/v1/ports/';
/** Offered there in place of SUBPROTOCOL. */
export const PORT_SUBPROTOCOL = 'torsiond.port.v1';
/**
 * Name of the `<meta>` element in the gateway's own page that carries the page's token. Absent or empty: the page asks
 * for a token typed by hand.
 */
export const PAGE_TOKEN_META = 'torsiond-token';
