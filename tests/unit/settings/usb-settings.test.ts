import { describe, expect, it } from 'vitest';
import { gatewayChecks } from '../../../daemon/settings/default-checks.ts';
import { parseSettings } from '../../../daemon/settings/load-settings.ts';
import { formatFault } from '../../../daemon/settings/settings-fault.ts';

/** Settings with these links, one instrument each. */
function settings(...links: string[]): string {
  return `instruments:\n${links.map((link, i) => `  - id: bench-${i}
    link: ${link}
    driver: { id: ascii-lines }
    channels: [{ transducer: { serialNumber: HF-T-0001, capacity: 60 }, capture: { mode: peak } }]
`).join('')}`;
}

function faults(...links: string[]): string[] {
  return parseSettings(settings(...links), gatewayChecks).faults.map((fault) => formatFault('s.yaml', fault).replace(/^s\.yaml:/, ''));
}

const usb = (more = '', vendorId = "'1209'"): string => `{ kind: usb, vendorId: ${vendorId}, productId: '0001'${more} }`;
const hid = (more = ''): string => `{ kind: hid, vendorId: '1209', productId: '0002'${more} }`;

describe('links over USB and HID in the settings', () => {
  it('need no more than the ids, and get their defaults', () => {
    const [first, second] = parseSettings(settings(usb(), hid()), gatewayChecks).settings!.instruments;
    expect(first!.link).toEqual({ kind: 'usb', vendorId: '1209', productId: '0001', packetHeaderBytes: 0 });
    expect(second!.link).toEqual({
      kind: 'hid', vendorId: '1209', productId: '0002', reportId: 0, payload: { offset: 0, lengthByte: null }, output: { reportId: 0, bytes: 64, offset: 0, lengthByte: null },
    });
  });

  it('take ids as text, because YAML reads 1209 and 12e4 as numbers', () => {
    expect(faults(usb('', '1209'))).toEqual(['3:34 instruments[0].link.vendorId: is 1209; write it in quotes, "1209"; allowed is a text']);
    expect(faults(usb('', '12e4'))[0]).toContain('instruments[0].link.vendorId: is 120000');
    expect(faults(usb('', "'0x1209'"))[0]).toContain('must be four hexadecimal digits in quotes, for example "1209"');
  });

  it('refuse output reports without room for data', () => {
    for (const output of ['{ bytes: 4, offset: 4 }', '{ offset: 1, lengthByte: 1 }']) {
      expect(faults(hid(`, output: ${output}`))).toEqual([expect.stringContaining('instruments[0].link.output: leaves no room for data')]);
    }
    expect(faults(hid(', output: { bytes: 4, offset: 3, lengthByte: 2 }'))).toEqual([]);
  });

  it('have one owner for a device, in whatever words it is named', () => {
    const clash = [expect.stringContaining('instruments[1].link: may mean the same device as instrument "bench-0"; a device has one owner, so give each its serialNumber or place')];
    expect(faults(usb(), usb())).toEqual(clash);
    expect(faults(usb(', serialNumber: A'), usb())).toEqual(clash);
    expect(faults(usb(', serialNumber: A'), usb(', place: 1-2'))).toEqual(clash);
    expect(faults(usb('', "'abcd'"), usb('', "'ABCD'"))).toEqual(clash);
    expect(faults(usb(', interface: 1'), usb())).toEqual(clash);
    expect(faults(hid(), hid(', usagePage: 65280'))).toEqual(clash);
  });

  it('may have several for what is surely not the same', () => {
    expect(faults(usb(', serialNumber: A'), usb(', serialNumber: B'), usb(', serialNumber: C'))).toEqual([]);
    expect(faults(usb(', place: 1-1'), usb(', place: 1-2'))).toEqual([]);
    expect(faults(usb(', interface: 0'), usb(', interface: 1'))).toEqual([]);
    expect(faults(hid(', usagePage: 65280, usage: 1'), hid(', usagePage: 65280, usage: 2'))).toEqual([]);
    expect(faults(usb(), hid())).toEqual([]);
    expect(parseSettings(settings(usb(), usb()).replace('bench-0\n', 'bench-0\n    enabled: false\n'), gatewayChecks).faults).toEqual([]);
  });
});
