/** `torsiond probe` on ports of the simulator, and with a link whose rate matters. */
import { writeFileSync } from 'node:fs';
import { createServer, type AddressInfo } from 'node:net';
import { join } from 'node:path';
import { describe, expect, it, onTestFinished } from 'vitest';
import { parse, stringify } from 'yaml';
import { COMMON_BAUD_RATES, probePort, type LineChoice, type ProbeOptions } from '../../daemon/probe/probe-port.ts';
import { createMemoryLink } from '../../drivers/links/memory-link.ts';
import { systemClock } from '../../shared/clock.ts';
import { loadScenario, startScenario, type RunningScenario } from '../../simulator/index.ts';
import { openTcpPort } from '../../simulator/ports/tcp-port.ts';
import { FrameFormat, frameWriter } from '../../simulator/instruments/frame-format.ts';
import { SeededRandom } from '../../simulator/random.ts';
import { filledIn } from '../helpers/fill-in.ts';
import { inProcess } from '../helpers/run-torsiond.ts';
import { tempFolder } from '../helpers/temp-folder.ts';
import { waitUntil } from '../helpers/wait-until.ts';

const NOISE = new SeededRandom(3);
const noise = (): Uint8Array => Uint8Array.from({ length: 400 }, () => Math.floor(NOISE.next() * 256));

async function running(name: string, portPreference?: 'tcp'): Promise<RunningScenario> {
  const scenario = await startScenario(loadScenario(name), portPreference ? { portPreference } : {});
  onTestFinished(() => scenario.stop());
  return scenario;
}

describe('torsiond probe', () => {
  it('proposes settings for a simulated bench that check-config accepts once a person filled in what only one can know, and says that a pseudo terminal has no rate', async () => {
    const [first] = (await running('bench')).instruments;
    if (first!.address.kind !== 'serial') throw new Error('no pseudo terminal here');
    const { exitCode, stdout } = await inProcess('probe', first!.address.path, '--seconds', '1.5');
    expect(exitCode).toBe(0);
    expect(stdout).toContain('the baud rate cannot be told here');
    expect(stdout).toContain('enabled: false');
    const file = join(tempFolder(), 'probed.yaml');
    writeFileSync(file, stdout);
    const { exitCode: refused, stderr, stdout: told } = await inProcess('check-config', file);
    expect(refused).toBe(78);
    const named = `${stderr}${told}`.split('\n').filter((line) => line.includes('still to be filled in'));
    expect(named.map((line) => /channels\[0\]\.([a-zA-Z.]+): is still to be filled in: the /.exec(line)?.[1])).toEqual(['transducer.serialNumber', 'transducer.capacity', 'capture.mode']);
    writeFileSync(file, stringify(filledIn(parse(stdout))));
    expect(await inProcess('check-config', file)).toMatchObject({ exitCode: 0, stderr: '' });
    expect(stdout).toMatch(/separator: " "[\s\S]*unitColumn: 2[\s\S]*statusColumn: 3[\s\S]*unit: N\.m/);
  });

  it('gives one JSON line, for a device server too', async () => {
    const [first] = (await running('faulty-line', 'tcp')).instruments;
    if (first!.address.kind !== 'tcp') throw new Error('asked for TCP');
    const { exitCode, stdout } = await inProcess('probe', `${first!.address.host}:${first!.address.port}`, '--seconds', '1.5', '--json');
    expect(exitCode).toBe(0);
    const answer = JSON.parse(stdout) as { settings: { instruments: [{ channels: unknown[] }] } };
    expect(answer).toMatchObject({
      type: 'probe', verdict: 'lines', baudRate: null, identity: null,
      settings: { instruments: [{ enabled: false, link: { kind: 'tcp' }, driver: { id: 'ascii-lines', options: { separator: ';', decimal: 'comma' } } }] },
    });
    expect(answer.settings.instruments[0].channels).toHaveLength(2);
  });

  it('says silence with exit 69 and unknown with exit 65', async () => {
    const port = await openTcpPort();
    onTestFinished(() => port.close());
    const at = `${port.address.host}:${port.address.port}`;
    const silent = await inProcess('probe', at, '--seconds', '0.2', '--no-ask');
    expect(silent).toMatchObject({ exitCode: 69 });
    expect(silent.stdout).toMatch(/^silence\n/);
    expect(silent.stdout).toContain('rfc2217://HOST:PORT');
    let isOver = false;
    const probing = inProcess('probe', at, '--seconds', '0.5').finally(() => {
      isOver = true;
    });
    const sending = waitUntil(() => {
      port.write(noise());
      return isOver;
    }, 'the probe to end');
    const { exitCode, stdout } = await probing;
    expect(exitCode).toBe(65);
    expect(stdout).toMatch(/^unknown\n/);
    await sending;
  });

  it('asks a device that sends nothing, proposes scpi for one that says who it is, and asks nothing with --no-ask', async () => {
    const port = await openTcpPort();
    onTestFinished(() => port.close());
    let heard = '';
    port.onData((data) => {
      heard += new TextDecoder().decode(data);
      if (heard.endsWith('*IDN?\r\n')) port.write(new TextEncoder().encode('Hollin & Fenn,HF asked meter,HF-0301,1.0\r\n'));
    });
    const at = `tcp://${port.address.host}:${port.address.port}`;
    const quiet = await inProcess('probe', at, '--seconds', '0.2', '--no-ask');
    expect(quiet).toMatchObject({ exitCode: 69 });
    expect(quiet.stdout).toContain('--no-ask');
    expect(heard).toBe('');
    const { exitCode, stdout } = await inProcess('probe', at, '--seconds', '0.2');
    expect(exitCode).toBe(0);
    expect(stdout).toMatch(/READ\? .*was not asked[^]*id: scpi[^]*serialNumber: HF-0301/);
    // Nothing was sent that could be an order.
    expect([...new Set(heard.split(/[\r\n]+/).filter((line) => line !== ''))]).toEqual(['*IDN?', 'SYST:VERS?']);
  });

  it.each([[[]], [['--no-ask']]])('tells a device server that hangs up at once from a silent device, %j', async (more) => {
    const server = createServer((socket) => socket.end());
    await new Promise<void>((done) => server.listen(0, '127.0.0.1', done));
    onTestFinished(() => void server.close());
    const { port } = server.address() as AddressInfo;
    const { exitCode, stdout, stderr } = await inProcess('probe', `127.0.0.1:${port}`, '--seconds', '0.3', ...more);
    expect(exitCode).toBe(69);
    expect(stdout).toBe('');
    expect(stderr).toBe(`LINK_LOST the other side closed the connection (127.0.0.1:${port}). Many device servers take one client at a time: stop the gateway, or what else is connected to it, and probe again.\n`);
  });

  it('refuses a port that is not there, and times out of bounds', async () => {
    const { exitCode, stderr } = await inProcess('probe', '/dev/torsiond-no-such-port');
    expect(exitCode).toBe(69);
    expect(stderr).toMatch(/^LINK_NOT_FOUND /);
    expect(await inProcess('probe', '/dev/x', '--seconds', '1000')).toMatchObject({ exitCode: 64 });
    expect(await inProcess('probe', 'ftp://127.0.0.1:1')).toMatchObject({ exitCode: 64, stderr: expect.stringContaining('rfc2217://HOST:PORT') as string });
    expect(await inProcess('probe', '/dev/x', '--ask-with', 'A\nB')).toMatchObject({ exitCode: 64 });
  });
});

/** A device that is understood at one rate, and heard as noise at every other one. */
function device(options: { readonly rate: number; readonly says: ((question: string) => string) | 'streams' }): { readonly probe: Pick<ProbeOptions, 'openAt'>; readonly asked: string[]; readonly raw: Uint8Array[] } {
  const asked: string[] = [];
  const raw: Uint8Array[] = [];
  return {
    asked, raw,
    probe: {
      openAt: ({ baudRate }: LineChoice) => async ({ clock }) => {
        const { link, far } = createMemoryLink(clock);
        if (options.says === 'streams') {
          far.deliver(baudRate === options.rate ? new TextEncoder().encode(Array.from({ length: 60 }, (_, i) => `${(5 * Math.sin(i / 6)).toFixed(2)} Nm\r\n`).join('')) : noise());
          return link;
        }
        const { says } = options;
        return { ...link, listen: (listener) => link.listen(listener), write: async (data) => {
          const question = new TextDecoder('latin1').decode(data);
          raw.push(data.slice());
          asked.push(question);
          if (baudRate === options.rate && says(question) !== '') far.deliver(new TextEncoder().encode(says(question)));
        } };
      },
    },
  };
}

const quick = (): Omit<ProbeOptions, 'openAt'> => ({ clock: { ...systemClock, after: (ms, callback) => systemClock.after(Math.min(ms, 5), callback) }, signal: new AbortController().signal, listenMs: 5, asks: 'never', readQuestion: null, isNetwork: false, baudRates: COMMON_BAUD_RATES });

describe('the rates', () => {
  it('are tried until one gives lines', async () => {
    const tried: (number | null)[] = [];
    const result = await probePort({ ...quick(), ...device({ rate: 38_400, says: 'streams' }).probe, tried: (rate) => tried.push(rate) });
    expect(result).toMatchObject({ baudRate: 38_400, analysis: { kind: 'lines', units: ['N.m'] } });
    expect(tried).toEqual([115_200, 9_600, 19_200, 38_400]);
  });

  it('are tried until the checksums of frames are right: at a wrong one they are noise', async () => {
    const write = frameWriter(FrameFormat.parse({}), 1);
    const frames = Buffer.concat(Array.from({ length: 200 }, (_, i) => write(Float64Array.of(5 * Math.sin(i / 20)), { counter: i, channel: 0, isOverloaded: false })));
    const result = await probePort({ ...quick(), openAt: ({ baudRate }) => async ({ clock }) => {
      const { link, far } = createMemoryLink(clock);
      far.deliver(baudRate === 57_600 ? Uint8Array.from(frames) : noise());
      return link;
    } });
    expect(result).toMatchObject({ baudRate: 57_600, analysis: { kind: 'frames', options: { framing: { bytes: 'a5 5a', length: 8 }, checksum: { name: 'CRC-16/MODBUS' } } } });
  });

  it('are not tried when nothing is heard at one and nothing is asked', async () => {
    const silent = device({ rate: 9_600, says: () => '' });
    const tried: (number | null)[] = [];
    const result = await probePort({ ...quick(), ...silent.probe, tried: (rate) => tried.push(rate) });
    expect(result.analysis.kind).toBe('silence');
    expect(tried).toHaveLength(1);
    expect(silent.asked).toEqual([]);
  });

  it('are asked at while the device is silent, with questions that give no order', async () => {
    const meter = device({ rate: 9_600, says: (question) => (question === '*IDN?\r\n' ? 'Hollin & Fenn,HF asked meter,HF-0301,1.0\r\n' : '') });
    const tried: (number | null)[] = [];
    const result = await probePort({ ...quick(), ...meter.probe, asks: 'when-silent', tried: (rate) => tried.push(rate) });
    expect(result).toMatchObject({ baudRate: 9_600, analysis: { kind: 'scpi', identity: { maker: 'Hollin & Fenn', model: 'HF asked meter', serialNumber: 'HF-0301' } } });
    expect(tried).toEqual([115_200, 9_600]);
    const texts = meter.asked.filter((question) => /^[\x20-\x7e\r\n]*$/.test(question));
    expect([...new Set(texts)].sort()).toEqual(['\r', '*IDN?\r\n', '?\r\n', 'SYST:VERS?\r\n'].sort());
    // The rest are readings of one Modbus register: unit, function 3 or 4, register 0, one of them, CRC.
    const bytes = meter.raw.filter((question) => !texts.includes(new TextDecoder('latin1').decode(question)));
    expect(bytes.length).toBeGreaterThan(0);
    for (const question of bytes) {
      expect(question).toHaveLength(8);
      expect([...question.subarray(1, 6)]).toEqual([question[1] === 4 ? 4 : 3, 0, 0, 0, 1]);
      expect(question[0]).toBeGreaterThan(0);
    }
  });

  it('tell a Modbus unit with even parity, whose bytes come only then', async () => {
    const clock = quick().clock;
    const openAt = (line: LineChoice): ReturnType<ProbeOptions['openAt']> => async () => {
      const { link, far } = createMemoryLink(clock);
      return { ...link, listen: (listener) => link.listen(listener), write: async (data) => {
        // Made by hand: exception 2 of unit 1 to function 3, with its CRC c0 f1.
        if (line.baudRate === 19_200 && line.parity === 'even' && data[0] === 1 && data[1] === 3) far.deliver(Uint8Array.of(0x01, 0x83, 0x02, 0xc0, 0xf1));
      } };
    };
    const result = await probePort({ ...quick(), openAt, asks: 'when-silent' });
    expect(result).toMatchObject({ baudRate: 19_200, analysis: { kind: 'modbus', transport: 'rtu', parity: 'even', units: [{ unit: 1, function: 3, exception: 2 }] } });
  });
});
