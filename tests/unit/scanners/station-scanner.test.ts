/** A scanner and a pedal at a running station. */
import { expect, it } from 'vitest';
import { createLog } from '../../../daemon/log.ts';
import { createScannerSet } from '../../../daemon/scanners/scanner-set.ts';
import { ScannerSettings } from '../../../daemon/settings/schema.ts';
import { openTcpLink } from '../../../drivers/links/tcp-link.ts';
import { systemClock } from '../../../shared/clock.ts';
import { openTcpPort } from '../../../simulator/ports/tcp-port.ts';
import { stationBench } from '../../helpers/station-bench.ts';
import { waitUntil } from '../../helpers/wait-until.ts';

it('a code from a simulated scanner becomes scan.seen, a pedal takes the track reading, and a refused pedal is logged', async () => {
  const port = await openTcpPort();
  let isListening = false;
  port.onClient(() => (isListening = true));
  const log: string[] = [];
  const scanners = createScannerSet([ScannerSettings.parse({
    id: 'gun-a', link: { kind: 'tcp', host: port.address.host, port: port.address.port }, delimiter: '\n', repeatMs: 0,
    switches: [{ text: 'PEDAL', command: 'latch', channel: 'bench-a/1' }, { text: 'STRAY', command: 'latch', channel: 'bench-a/9' }],
  })], { clock: systemClock, openLink: () => (context) => openTcpLink({ host: port.address.host, port: port.address.port }, context), log: createLog({ isTerminal: false, level: 'info', write: (line) => log.push(line) }) });
  const bench = await stationBench({ capture: { mode: 'track' } }, {}, undefined, scanners);
  try {
    await waitUntil(() => isListening && scanners.counters().get('torsiond_scanner_connected{scanner="gun-a"}') === 1, 'the scanner to be open');
    // The first line may be the end of one that nobody heard.
    port.write(new TextEncoder().encode('x\nHF-JOB-12\n'));
    await waitUntil(() => bench.of('scan.seen').length > 0, 'the code');
    expect(bench.of('scan.seen').at(-1)).toMatchObject({ code: 'HF-JOB-12', source: 'scanner:gun-a' });

    await bench.torque(new Array<number>(400).fill(12));
    port.write(new TextEncoder().encode('PEDAL\n'));
    await waitUntil(async () => {
      await bench.torque([12, 12]);
      return bench.store.kept.length > 0;
    }, 'the reading');
    expect(bench.store.kept[0]!.reading.value).toBeCloseTo(12, 6);

    port.write(new TextEncoder().encode('STRAY\n'));
    await waitUntil(() => bench.logLines.some((line) => line.includes('CHANNEL_UNKNOWN')), 'the log line');
    expect(bench.of('scan.seen').every((event) => event.code !== 'PEDAL' && event.code !== 'STRAY')).toBe(true);
    expect(bench.of('scanner.state').map((event) => event.scanner.state)).toEqual(['opening', 'connected']);
    expect(bench.station.scanners()).toMatchObject([{ id: 'gun-a', state: 'connected' }]);
    expect(bench.station.counters().get('torsiond_scanner_connected{scanner="gun-a"}')).toBe(1);
  } finally {
    await bench.stop();
    await port.close();
  }
});
