/**
 * Every fault the gateway can name. A code is permanent: never renamed, never reused.
 *
 * - `retry`: whether doing the same again can help. `now` at once, `backoff` after a growing wait, `never` until a
 *   person or a setting changes something.
 * - `exit`: the exit code of a command that ends with this fault.
 * - `http`: the status of an HTTP answer that carries it.
 * - `hint`: what the person at the bench can do about it.
 *
 * The table in DEVELOPERS.md is made from this one; a test fails when it differs.
 */
export interface ErrorFacts {
  readonly retry: 'now' | 'backoff' | 'never';
  readonly exit: number;
  readonly http: number;
  readonly hint: string;
}

const facts = (retry: ErrorFacts['retry'], exit: number, http: number, hint: string): ErrorFacts => ({ retry, exit, http, hint });

export const ERROR_TABLE = {
  // Links: a byte channel to a device
  LINK_NOT_FOUND: facts('backoff', 69, 503, 'Plug the adapter in, or run "torsiond ports" to see the names that exist.'),
  LINK_PERMISSION: facts('never', 69, 503, 'Add the user that runs torsiond to the group that owns the port (usually dialout), then log in again.'),
  LINK_BUSY: facts('backoff', 69, 503, 'Another program holds the port. Close it; "torsiond diagnose" names the holder where it may.'),
  LINK_NOT_A_PORT: facts('never', 69, 503, 'The path is not a serial port. Run "torsiond ports" to see the ports.'),
  LINK_REFUSED: facts('backoff', 69, 503, 'Nothing listens at that address. Check host, port and that the device server is on.'),
  LINK_OPEN_FAILED: facts('backoff', 69, 503, 'The operating system refused the port. "torsiond diagnose" collects what is known.'),
  LINK_LOST: facts('backoff', 69, 503, 'The connection ended by itself. Check cable and power; the gateway reconnects by itself.'),
  LINK_CUT: facts('now', 69, 503, 'Bytes were lost or spoilt on the way; what was under way is not judged. Check cable, baud rate and parity, and how busy the computer is.'),
  LINK_CLOSED: facts('never', 69, 503, 'The link is closed; a new one must be opened.'),
  LINK_STALLED: facts('backoff', 69, 503, 'The port is open but no data comes. Check that the device is on and streaming, and the baud rate.'),
  LINK_WRITE_TIMEOUT: facts('backoff', 69, 503, 'The device does not take data. Check flow control and cable.'),
  LINK_AMBIGUOUS: facts('never', 69, 503, 'Give the serialNumber in the settings or, where it is the same or missing, the place; "torsiond ports" shows both.'),
  LINK_SETTINGS: facts('never', 69, 503, 'Correct the link in the settings; the message lists what the device has.'),
  LINK_UNSUPPORTED: facts('never', 69, 503, 'This machine or device cannot do that; the message names what is missing.'),
  // Frames and their meaning
  FRAME_TOO_LONG: facts('now', 65, 500, 'Bytes arrive, but no frame ends. Check the baud rate first, then delimiter or sync bytes in the settings.'),
  FRAME_UNREADABLE: facts('now', 65, 500, 'There is no torque where the settings expect it. Check columns, pattern and decimal sign, or the places in the frame.'),
  FRAME_CHECKSUM: facts('now', 65, 500, 'Bytes were changed on the way. Check cable, termination, baud rate and parity.'),
  FRAME_LOST: facts('now', 65, 500, 'Frames did not arrive. Check cable and baud rate; an adapter or a machine that is too busy loses bytes too.'),
  VALUE_NOT_FINITE: facts('now', 65, 500, 'The device sent a value that is not a number. The cycle it falls in is not judged.'),
  VALUE_OVERLOAD: facts('now', 65, 500, 'The device reports overload. Unload it, zero it and check its calibration.'),
  UNIT_UNKNOWN: facts('never', 65, 400, 'Give a torque unit by its UCUM code, for example N.m, cN.m, [lbf_av].[ft_i].'),
  UNIT_UNNAMED: facts('never', 65, 400, 'Name the place of the unit in the driver\'s options (unitColumn, or a group "unit"), or correct their unit.'),
  UNIT_REFUSED: facts('never', 65, 409, 'Set the device to the unit of the channel, or say in the channel\'s deviceUnit what it sends, which is then converted (named: whatever it names).'),
  DEVICE_TIMEOUT: facts('backoff', 69, 503, 'The device did not answer in time. Check that the right driver is set.'),
  DEVICE_MISMATCH: facts('never', 69, 503, 'Another instrument answers than the settings name. Connect the right one or change "identity".'),
  DEVICE_RATE: facts('never', 69, 503, 'The device sends at another rate than "sampleRateHz" says. Correct the setting or leave it out.'),
  DEVICE_ERROR: facts('backoff', 69, 503, 'The device reports an error of its own; its manual tells what the number in the message means.'),
  POLL_MISSED: facts('now', 69, 503, 'The device is asked more often than it answers. Lower poll.rateHz, or look at what else is asked on the line.'),
  DRIVER_UNKNOWN: facts('never', 78, 400, 'Name one of the drivers that the message lists, or list the package or file of another one under "drivers" in the settings.'),
  DRIVER_LOAD: facts('never', 78, 400, 'Correct the entry of "drivers" in the settings, or the driver that it names.'),
  DRIVER_FAILED: facts('backoff', 69, 503, 'The driver broke its contract. Please report it with the text of "torsiond diagnose".'),
  COMMAND_UNSUPPORTED: facts('never', 64, 400, 'This instrument cannot do that; its driver names what it can.'),
  // What a transducer says of itself (IEEE 1451.4)
  TEDS_CHECKSUM: facts('now', 65, 400, 'The data sheet was read wrongly or is damaged. Read it again; check the contact of the memory line.'),
  TEDS_FORMAT: facts('never', 65, 400, 'Give the whole content of the memory, with or without its page checksums, as the setting "paged" says.'),
  TEDS_NOT_TORQUE: facts('never', 65, 400, 'The data sheet describes another kind of sensor, or not its torque. Give the transducer\'s settings by hand.'),
  // Conditioning, capture, judgement
  RATE_TOO_LOW: facts('never', 78, 400, 'The channel samples too slowly for that filter or mode. Lower the cutoff, take another mode, or raise the sample rate.'),
  CAPTURE_SETTINGS: facts('never', 78, 400, 'Correct the named capture setting.'),
  LIMITS_INVALID: facts('never', 78, 400, 'Give low ≤ target ≤ high, all as magnitudes in the channel\'s unit.'),
  ZERO_REFUSED: facts('now', 69, 409, 'Unload the transducer, wait until the value is still, and zero again.'),
  TORQUE_TOO_LOW: facts('now', 69, 409, 'Apply the torque and try again, or ask for a zero check ("zeroCheck": true), which is not judged.'),
  CHANNEL_UNKNOWN: facts('never', 64, 404, 'Name one of the channels that the message lists.'),
  CHANNEL_NOT_READY: facts('now', 69, 409, 'The channel gives no samples now. See the instrument\'s state.'),
  MODE_MISMATCH: facts('never', 64, 409, 'Set the channel to the mode that the command needs, then try again.'),
  // Files that come in
  INPUT_NOT_FOUND: facts('never', 66, 404, 'Check the path.'),
  INPUT_BAD_ROW: facts('never', 65, 400, 'Correct or remove the named row; nothing after it was judged.'),
  INPUT_NO_COLUMN: facts('never', 65, 400, 'Name the columns with --time-column and --torque-column.'),
  INPUT_CUT: facts('never', 65, 400, 'The file ends inside a record; what stands before the cut was read.'),
  INPUT_FORMAT: facts('never', 65, 400, 'Give a recording (.mcap) or a trace (.csv, .ndjson) as the manual describes them.'),
  OUTPUT_FAILED: facts('never', 74, 500, 'Check that the folder exists, may be written and has room.'),
  // Settings and command line
  SETTINGS_INVALID: facts('never', 78, 400, 'Correct the named line; "torsiond check-config FILE" lists every fault.'),
  USAGE: facts('never', 64, 400, 'See "torsiond --help".'),
  NODE_UNSUPPORTED: facts('never', 78, 500, 'Run it with Node 24 or newer; inside the repository use the npm scripts, which bring it along.'),
  NATIVE_MODULE: facts('never', 78, 500, 'Install again with "npm ci" on this machine; the message names the module.'),
  // Store
  STORE_IN_USE: facts('never', 75, 503, 'Another torsiond runs on this data directory. Stop it or give another --data.'),
  STORE_NEWER: facts('never', 74, 503, 'The database was written by a newer version. Use that version, or another data directory.'),
  STORE_FULL: facts('backoff', 74, 507, 'The disk is full. Make room; readings are stored again by themselves.'),
  STORE_FAILED: facts('backoff', 74, 503, 'The database could not be written. Check the disk and the permissions of the data directory.'),
  STORE_MIGRATION: facts('never', 74, 503, 'The database could not be brought up to date; the backup named in the message is untouched.'),
  STORE_CHAIN: facts('never', 65, 500, 'A stored record was changed or is missing. Keep the file as evidence and restore a backup.'),
  READING_UNKNOWN: facts('never', 66, 404, 'Copy the id from "torsiond export", from the stream or from /api/v1/readings; ids are compared exactly.'),
  // Server
  SERVER_ADDRESS: facts('never', 69, 503, 'The address is taken or not allowed. Give another --port, or stop the program that has it.'),
  ACCESS_HOST: facts('never', 77, 403, 'Add the host name to server.allowedHosts in the settings.'),
  ACCESS_ORIGIN: facts('never', 77, 403, 'Add the origin to server.allowedOrigins in the settings.'),
  ACCESS_TOKEN: facts('never', 77, 401, 'Give a token; "torsiond token create" makes one.'),
  ACCESS_SCOPE: facts('never', 77, 403, 'The token may not do that; create one with the scope named in the message.'),
  MESSAGE_INVALID: facts('never', 65, 400, 'Send a message that fits the schema in /api/v1/asyncapi.json.'),
  ROUTE_UNKNOWN: facts('never', 64, 404, 'See /api/v1/openapi.json for the addresses that exist.'),
  SEQ_BEYOND: facts('never', 65, 409, 'The store is another one than before: subscribe with since 0 to receive all of it.'),
  TOKEN_UNKNOWN: facts('never', 66, 404, 'See "torsiond token list" for the ids that exist.'),
  TOKEN_FILE: facts('never', 74, 503, 'Check that tokens.json in the data directory may be read and written; a damaged one is moved away by hand, then tokens are made anew.'),
  LIMIT_REACHED: facts('backoff', 69, 429, 'Too much at once; wait and send less.'),
  // Client
  CLIENT_DISCONNECTED: facts('backoff', 69, 503, 'The gateway cannot be reached now. Check that it runs; the client reconnects by itself.'),
  CLIENT_TIMEOUT: facts('backoff', 69, 504, 'The gateway did not answer in time; whether it did what was asked is unknown.'),
  CLIENT_CLOSED: facts('never', 69, 503, 'The client was closed; make a new one.'),
  CLIENT_REFUSED: facts('never', 69, 409, 'The gateway names a reason that this client does not know; bring both to the same version.'),
  // Simulator
  SIM_NO_PTY: facts('never', 69, 503, 'Install socat or python3 for pseudo terminals; TCP is used instead.'),
  SIM_PORT_TAKEN: facts('never', 69, 409, 'Stop the other simulator, or give another folder for the virtual ports.'),
  SIM_SCENARIO: facts('never', 66, 404, 'Name a scenario of "torsiond simulate --list", or a scenario file.'),
  // Last resort
  INTERNAL: facts('never', 70, 500, 'This is a defect of torsiond. Please report it with the text of "torsiond diagnose".'),
} as const satisfies Record<string, ErrorFacts>;

export type ErrorCode = keyof typeof ERROR_TABLE;
