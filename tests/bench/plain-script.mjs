// What one writes in an afternoon: each line of a serial port as one JSON message to every WebSocket client.
// node plain-script.mjs PORT [BAUD]
import { SerialPort } from 'serialport';
import { ReadlineParser } from '@serialport/parser-readline';
import { WebSocket, WebSocketServer } from 'ws';

const [path, baud = '115200'] = process.argv.slice(2);

const server = new WebSocketServer({ host: '127.0.0.1', port: 0, perMessageDeflate: false });
server.on('listening', () => console.log(`ws://127.0.0.1:${server.address().port}`));
server.on('connection', (socket) => socket.on('error', (error) => console.error(error.message)));

const port = new SerialPort({ path, baudRate: Number(baud) });
port.on('error', (error) => console.error(error.message));
port.on('close', () => process.exit(0));

let index = 0;
let peak = 0;

const lines = port.pipe(new ReadlineParser({ delimiter: '\n' }));
lines.on('data', (line) => {
  const torque = Number(line);
  if (!Number.isFinite(torque)) {
    console.error(`not a number: ${line}`);
    return;
  }
  if (Math.abs(torque) > Math.abs(peak)) peak = torque;
  const message = JSON.stringify({ index, time: Date.now(), torque, peak });
  index += 1;
  for (const client of server.clients) {
    if (client.readyState === WebSocket.OPEN) client.send(message);
  }
});

process.on('SIGTERM', () => process.exit(0));
