/** Settings that would mislead are refused at their line, with what to write instead. */
import { describe, expect, it } from 'vitest';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { formatFault } from '../../../daemon/settings/settings-fault.ts';

interface Parts {
  readonly channel?: string;
  readonly transducer?: string;
  readonly capture?: string;
  readonly driver?: string;
}

const file = ({ channel = 'unit: N.m', transducer = 'serialNumber: HF-T-0001, capacity: 60', capture = '{ mode: peak }', driver = '{ id: ascii-lines }' }: Parts): string => `instruments:
  - id: bench-a
    link: { kind: tcp, host: 127.0.0.1, port: 4001 }
    driver: ${driver}
    channels:
      - ${channel}
        transducer: { ${transducer} }
        capture: ${capture}
`;
const faults = (parts: Parts): string[] => parseSettings(file(parts), gatewayChecks).faults.map((fault) => formatFault('s', fault).replace('instruments[0].channels[0].', ''));

describe('one unit for a channel', () => {
  it('holds for its readings and for every torque of its settings', () => {
    const { settings } = parseSettings(file({ channel: 'unit: "[lbf_av].[ft_i]"' }), gatewayChecks);
    expect(settings!.instruments[0]!.channels[0]).toMatchObject({ unit: '[lbf_av].[ft_i]', capture: { unit: '[lbf_av].[ft_i]' } });
  });

  it('a second one, as capture had it, is refused with where it went', () => {
    expect(faults({ capture: '{ mode: peak, unit: N.m }' })).toEqual([expect.stringMatching(/^s:8:32 capture\.unit: is not a setting here; a channel has one unit, .*"unit".*"deviceUnit"$/)]);
  });

  it('limits are compared with the capacity in it', () => {
    const limits = '{ mode: peak, limits: { kind: percent, target: 50, minus: 4, plus: 4 } }';
    expect(faults({ channel: 'unit: cN.m', capture: limits })).toEqual([]);
    expect(faults({ channel: 'unit: cN.m', transducer: 'serialNumber: HF-T-0001, capacity: 49', capture: limits })).toEqual([expect.stringContaining('the target 50 cN.m is beyond')]);
  });

  it.each([
    ['lbf-in', 'did you mean "[lbf_av].[in_i]"? '], ['ft-lb', 'did you mean "[lbf_av].[ft_i]"? '], ['Nm', 'did you mean "N.m"? '], ['in-oz', 'did you mean "[oz_av].[g].[in_i]"? '],
    ['"[lbf_av].[ft_1]"', 'did you mean "[lbf_av].[ft_i]"? '], ['MNm', ''], ['parsec', ''],
  ])('%s is none, with what was probably meant', (unit, meant) => {
    for (const name of ['unit', 'deviceUnit']) {
      const [fault, ...others] = faults({ channel: `${name}: ${unit}` });
      expect(others).toEqual([]);
      expect(fault).toContain(`${name}: is "${unit.replaceAll('"', '')}"; ${meant}allowed are N.m, cN.m,`);
    }
  });

  it('and none for the device where it sends no torque', () => {
    const transducer = 'serialNumber: HF-T-0001, capacity: 60, bridge: { ratedTorque: 60, sensitivity: 2 }';
    expect(faults({ channel: 'signal: { kind: mV/V }', transducer })).toEqual([]);
    expect(faults({ channel: '{ signal: { kind: mV/V }, deviceUnit: named }'.slice(2, -2).replace(', deviceUnit', '\n        deviceUnit'), transducer }))
      .toEqual([expect.stringContaining('deviceUnit: is named, but the device sends mV/V')]);
  });
});

describe('the unit of the device', () => {
  it.each(['ascii-lines', 'scpi', 'modbus-rtu', 'framed-binary', 'raw-counts'])('is said at the channel, and not to the driver %s a second time', (id) => {
    const told = faults({ driver: `{ id: ${id}, options: { unit: N.m } }` }).filter((fault) => fault.includes('options.unit'));
    expect(told).toEqual([expect.stringMatching(/driver\.options\.unit: is not a setting here; a channel has one unit, .* what the device sends, where it differs, stands there as "deviceUnit"$/)]);
  });
});

describe('what must be said', () => {
  it('the mode: it is not silently peak', () => {
    expect(faults({ capture: '{ holdMs: 0 }' })).toEqual(['s:8:9 capture.mode: is missing; allowed are track, peak, first-peak, pulse']);
    expect(parseSettings(file({}).replace(/ +capture:.*\n/, ''), gatewayChecks).faults).toMatchObject([{ line: 6, path: 'instruments[0].channels[0].capture.mode', message: 'is missing; allowed are track, peak, first-peak, pulse' }]);
  });

  it('the capacity', () => {
    expect(faults({ transducer: 'serialNumber: HF-T-0001' })).toEqual(['s:7:9 transducer.capacity: is missing; allowed is a number above 0']);
  });
});

describe('what is still to be filled in', () => {
  it.each([
    'to be filled in', 'fill in', 'TODO', 'tbd', 'xxx', '"???"', 'change me', 'changeme', '<serial>', '"..."', 'placeholder', 'unknown', 'none', 'n/a', 'not read yet', '"000"', 'serial number',
  ])('does not pass as a serial number: %s', (serial) => {
    expect(faults({ transducer: `serialNumber: ${serial}, capacity: 60` })).toEqual([expect.stringMatching(/^s:7:37 transducer\.serialNumber: is ".*"; (it looks as if it was still to be filled in|fill in what stands on the transducer)/)]);
  });

  it.each(['HF-T-0001', 'X7', '"12345"', 'TODD-1', 'Unknown-7', 'A?'])('%s is a serial number', (serial) => {
    expect(faults({ transducer: `serialNumber: ${serial}, capacity: 60` })).toEqual([]);
  });

  it('is told once, at its line, wherever it stands', () => {
    expect(faults({
      channel: 'unit: <fill in the unit>', transducer: 'serialNumber: <fill in the number>, capacity: <fill in the rated torque>, calibration: { certificate: TBD }',
      capture: '{ mode: <fill in the mode> }', driver: '{ id: ascii-lines, options: { channels: [{ column: <fill in the column> }] } }',
    })).toEqual([
      's:4:64 instruments[0].driver.options.channels[0].column: is still to be filled in: the column',
      's:6:15 unit: is still to be filled in: the unit',
      's:7:37 transducer.serialNumber: is still to be filled in: the number',
      's:7:69 transducer.capacity: is still to be filled in: the rated torque',
      's:7:125 transducer.calibration.certificate: is "TBD"; it looks as if it was still to be filled in',
      's:8:26 capture.mode: is still to be filled in: the mode',
    ]);
  });

  it('is not seen in what devices send and are sent', () => {
    expect(faults({ driver: '{ id: ascii-lines, options: { status: { good: ["-", "..."] }, commands: { start: "<GO>" } } }' })).toEqual([]);
  });
});

describe('a table of calibration points', () => {
  const table = (points: string, more = '', capture = '{ mode: peak, direction: cw }', channel = 'unit: N.m'): string[] => faults({
    channel, capture, transducer: `serialNumber: HF-T-0001, capacity: 60, calibration: { curve: { kind: points, points: ${points}${more} } }`,
  });

  it('reaches the capacity in every direction that is captured, or is refused', () => {
    expect(table('[[0, 0], [30, 30.02], [60, 60.05]]')).toEqual([]);
    expect(table('[[0, 0], [30, 30.02], [59.9, 60]]')).toEqual([]);
    expect(table('[[0, 0], [30, 30.02], [60, 59.9]]')).toEqual([]);
    expect(table('[[0, 0], [30, 30.02], [50, 50.05]]')).toEqual([expect.stringMatching(/^s:7:\d+ transducer\.calibration\.curve: ends clockwise at a true torque of 50\.05 N\.m; missing is a point at a true torque of 60 N\.m \(the capacity\) or beyond; allowed is also beyond: flag, which/)]);
    expect(table('[[-60, -60.1], [0, 0], [60, 60.05]]', '', '{ mode: peak }')).toEqual([]);
  });

  const after = (fault: string | undefined): string => fault?.replace(/^.*?calibration\.curve: /, '') ?? '';
  const FLAG = 'beyond: flag, which gives every reading from beyond the table a flag';

  it('with points of one direction only is told which are missing, and what else may be meant', () => {
    const one = '[[0, 0], [30, 30.02], [60, 60.05]]';
    expect(after(table(one, '', '{ mode: peak }')[0])).toBe('has no points for counter-clockwise torque, which capture.direction: both captures; missing are points up to a true torque of -60 N.m '
      + `(the capacity) or beyond; allowed is also capture.direction: cw, where nothing else is measured, or ${FLAG}`);
    expect(after(table('[[-60, -60.1], [0, 0]]', '', '{ mode: peak }')[0])).toContain('for clockwise torque, which capture.direction: both captures; missing are points up to a true torque of 60 N.m (the capacity) or beyond; allowed is also capture.direction: ccw,');
    expect(after(table(one, '', '{ mode: peak, direction: ccw }')[0])).toBe('has no points for counter-clockwise torque, which capture.direction: ccw captures; missing are points up to a true torque of -60 N.m '
      + `(the capacity) or beyond; allowed is also sign: -1, where the device counts the other way, or ${FLAG}`);
    // Taken at its word, each way out is one.
    expect(table(one, '', '{ mode: peak, direction: cw }')).toEqual([]);
    expect(table(one, '', '{ mode: peak, direction: ccw }', 'sign: -1')).toEqual([]);
    expect(table('[[-60, -60.05], [0, 0], [30, 30.02], [60, 60.05]]', '', '{ mode: peak }')).toEqual([]);
  });

  it('that ends too early on both sides is told both', () => {
    expect(after(table('[[-40, -40.1], [0, 0], [50, 50.05]]', '', '{ mode: peak }')[0])).toBe('ends clockwise at a true torque of 50.05 N.m; missing is a point at a true torque of 60 N.m (the capacity) or beyond; '
      + `it ends counter-clockwise at a true torque of -40.1 N.m; missing is a point at a true torque of -60 N.m (the capacity) or beyond; allowed is also ${FLAG}`);
    expect(after(table('[[0, 0], [50, 50.05]]', '', '{ mode: peak }')[0])).toMatch(/^ends clockwise at .*; it has no points for counter-clockwise torque, .* -60 N\.m/);
  });

  it('of a device that counts the other way covers the other side', () => {
    expect(table('[[0, 0], [60, 60.05]]', '', '{ mode: peak, direction: ccw }', 'sign: -1')).toEqual([]);
    expect(table('[[0, 0], [60, 60.05]]', '', '{ mode: peak, direction: cw }', 'sign: -1')).toEqual([expect.stringMatching(/has no points for clockwise torque, .* up to a true torque of -60 N\.m .*also sign: 1, where/)]);
  });

  it('that ends before is taken where the readings from beyond are to be flagged', () => {
    expect(table('[[0, 0], [50, 50.05]]', ', beyond: flag', '{ mode: peak }')).toEqual([]);
  });

  it('gives one torque for one indication, and turns nowhere', () => {
    expect(table('[[0, 0], [30, 40], [60, 35]]')[0]).toContain('true values must rise all the way, or fall all the way');
  });
});
