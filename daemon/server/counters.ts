/** Counts and gauges of the server, by their Prometheus name with labels. */
export class ServerCounters {
  readonly #values = new Map<string, number>();

  add(name: string, by = 1): void {
    this.#values.set(name, (this.#values.get(name) ?? 0) + by);
  }

  set(name: string, value: number): void {
    this.#values.set(name, value);
  }

  all(): ReadonlyMap<string, number> {
    return new Map(this.#values);
  }
}

/** Every counter that exists from the start, so that a zero is seen as zero and not as missing. */
export const STREAM_COUNTERS = {
  clients: 'torsiond_server_clients',
  connections: 'torsiond_server_connections_total',
  commands: 'torsiond_server_commands_total',
  commandsRefused: 'torsiond_server_commands_refused_total',
  messagesSent: 'torsiond_server_messages_sent_total',
  bytesSent: 'torsiond_server_bytes_sent_total',
  samplesSkipped: 'torsiond_server_samples_skipped_total',
  catchUps: 'torsiond_server_catch_ups_total',
  protocolErrors: 'torsiond_server_protocol_errors_total',
} as const;
export const closedCounter = (code: number): string => `torsiond_server_closed_total{code="${code}"}`;
export const refusedCounter = (code: string): string => `torsiond_server_refused_total{code="${code}"}`;
export const requestCounter = (status: number): string => `torsiond_server_http_requests_total{status="${Math.floor(status / 100)}xx"}`;
