import fc from 'fast-check';
import { readFileSync } from 'node:fs';
import { describe, expect, it } from 'vitest';
import { decodeTeds } from '../../../../drivers/teds/decode.ts';
import { PHYSICAL_MEASURANDS, TORQUE_MEASURANDS } from '../../../../drivers/teds/measurands.ts';
import { readMemoryNumber } from '../../../../drivers/teds/memory.ts';
import { transducerFromTeds } from '../../../../drivers/teds/transducer.ts';
import { TorsiondError } from '../../../../shared/errors.ts';
import { paged, writeBasic, writeTeds, type TedsFields } from '../../../helpers/teds-writer.ts';

/** A dump that the documentation of a general data acquisition interface prints with its decoded properties, and a torque sensor made up from the same layout. */
const vectors = JSON.parse(readFileSync(new URL('../../../vectors/teds.json', import.meta.url), 'utf8')) as {
  published_dump: { rom: string; data_without_page_checksums_hex: string; page0_with_checksum: string; page1_with_checksum: string };
  synthetic_torque_example: { basic_hex: string; hex_unpaged: string; pages_32B_with_checksum: string[] };
  physical_measurand_enum: string[]; date_checks: Record<string, number>;
};
const { onewire_rom: secondRom } = JSON.parse(readFileSync(new URL('../../../vectors/protocol-vectors.json', import.meta.url), 'utf8')) as { onewire_rom: { second: { rom: string } } };
const hex = (text: string): Buffer => Buffer.from(text.replace(/ /g, ''), 'hex');
const { published_dump: dump, synthetic_torque_example: sensor } = vectors;
const dumpPages = hex(dump.page0_with_checksum + dump.page1_with_checksum);

const made: TedsFields = {
  manufacturer: 43, model: 7_115, versionLetter: 'B', versionNumber: 2, serial: 12_345, physMeasurand: 10, minPhys: -100, maxPhys: 100, minElec: -0.002, maxElec: 0.002,
  bridge: 2, impedanceRaw: 3_490, respTimeRaw: 0, excitationRaw: [49, 9, 99], calDateRaw: 9_570, initials: 'ABC', calPeriod: 365, measId: 7,
};
const codeOf = (action: () => unknown): string => {
  try {
    action();
  } catch (thrown) {
    return thrown instanceof TorsiondError ? thrown.code : `${String(thrown)}`;
  }
  return 'none';
};

describe('the published dump', () => {
  it('decodes to the properties printed beside it', () => {
    const teds = decodeTeds(dumpPages, { paged: true });
    expect(teds).toMatchObject({ manufacturer: 31, model: 393, versionLetter: ' ', versionNumber: 0, serialNumber: 0, notDecoded: [], remark: null, calibrationDate: '2099-12-31', calibrationDue: null, bits: 320 });
    expect(teds.template).toMatchObject({
      id: 33, measurand: { code: 7, unit: 'm/s²' }, minPhysical: 0, maxPhysical: 0, minElectrical: 0, maxElectrical: 0, bridge: 'half', impedance: 40, responseTimeCode: 0,
      excitation: { nominal: 2.5, min: 1, max: 6 }, calibrationInitials: '   ', calibrationPeriodDays: 0, locationId: 0,
    });
  });

  it('is the same without its page checksums', () => {
    const data = hex(dump.data_without_page_checksums_hex.replace(/…[^]*$/, '').replace(/[^0-9a-fA-F]/g, ''));
    expect(decodeTeds(data, { paged: false })).toEqual(decodeTeds(dumpPages, { paged: true }));
  });

  it('is of no torque transducer', () => {
    expect(() => transducerFromTeds(decodeTeds(dumpPages, { paged: true }))).toThrow(expect.objectContaining({ code: 'TEDS_NOT_TORQUE', message: expect.stringContaining('m/s²') as string }) as Error);
  });

  it('lies in a memory whose number carries its CRC, as does the example of the maker of such memories', () => {
    expect(readMemoryNumber(hex(dump.rom))).toEqual({ family: 0x2d, serial: '0000005ca657' });
    expect(readMemoryNumber(hex(secondRom.second.rom))).toEqual({ family: 2, serial: '00000001b81c' });
    const wrong = hex(dump.rom);
    wrong[3]! ^= 1;
    expect(codeOf(() => readMemoryNumber(wrong))).toBe('TEDS_CHECKSUM');
    expect(codeOf(() => readMemoryNumber(wrong.subarray(1)))).toBe('TEDS_FORMAT');
  });
});

describe('the torque sensor', () => {
  it('decodes from its pages and without them', () => {
    const teds = decodeTeds(hex(sensor.pages_32B_with_checksum.join('')), { paged: true });
    expect(decodeTeds(hex(sensor.hex_unpaged), { paged: false })).toEqual(teds);
    expect(teds).toMatchObject({ manufacturer: 43, model: 7_115, versionLetter: 'B', versionNumber: 2, serialNumber: 12_345, calibrationDate: '2024-03-15', calibrationDue: '2025-03-15' });
    expect(teds.template).toMatchObject({ measurand: { code: 10, unit: 'N·m' }, bridge: 'full', impedance: 350, excitation: { nominal: 5, min: 1, max: 10 }, calibrationInitials: 'ABC', locationId: 7 });
    expect(Buffer.from(writeTeds(made)).toString('hex')).toBe(sensor.hex_unpaged);
    expect(Buffer.from(paged(writeTeds(made))).toString('hex')).toBe(sensor.pages_32B_with_checksum.join(''));
  });

  it('gives the settings of a transducer', () => {
    const found = transducerFromTeds(decodeTeds(hex(sensor.hex_unpaged), { paged: false }));
    expect(found).toMatchObject({ serialNumber: '12345', capacity: 100, calibration: { date: '2024-03-15', due: '2025-03-15' } });
    expect(found.bridge.sensitivity).toBe(Math.fround(0.002) * 1_000);
    expect(found.bridge.zeroBalance).toBeCloseTo(0, 12);
  });

  it('keeps its offset, its own unit and the sense of its output', () => {
    // 0 to 320 ozf.in from +0.1 to -1.5 mV/V; 1 ozf.in is 0.007 061 551 814 N.m by definition of its parts.
    const found = transducerFromTeds(decodeTeds(writeTeds({ ...made, physMeasurand: 11, minPhys: 0, maxPhys: 320, minElec: 0.0001, maxElec: -0.0015, calPeriod: 0 }), { paged: false }));
    expect(found.capacity).toBeCloseTo(2.259696580552334, 12);
    expect(found.bridge.sensitivity).toBeCloseTo(-1.6, 7);
    expect(found.bridge.zeroBalance).toBeCloseTo(0.1, 7);
    expect(found.calibration).toEqual({ date: '2024-03-15' });
  });

  it('is read back from any fields', () => {
    fc.assert(fc.property(
      fc.record({
        manufacturer: fc.integer({ min: 17, max: 16_381 }), model: fc.nat(32_767), versionNumber: fc.nat(63), serial: fc.nat(0xffffff), impedanceRaw: fc.nat(0x3ffff), respTimeRaw: fc.nat(63),
        excitationRaw: fc.tuple(fc.nat(511), fc.nat(511), fc.nat(511)), calDateRaw: fc.nat(65_535), calPeriod: fc.nat(4_095), measId: fc.nat(2_047), bridge: fc.nat(2),
        maxPhys: fc.float({ min: 1, max: 1_000_000, noNaN: true }), initials: fc.string({ unit: fc.constantFrom(...' ABCXYZ'), minLength: 3, maxLength: 3 }),
      }), (fields) => {
        const teds = decodeTeds(paged(writeTeds({ ...made, ...fields })), { paged: true });
        expect(teds).toMatchObject({ manufacturer: fields.manufacturer, model: fields.model, versionNumber: fields.versionNumber, serialNumber: fields.serial, remark: null });
        expect(teds.template).toMatchObject({
          impedance: (10 + fields.impedanceRaw) / 10, responseTimeCode: fields.respTimeRaw, calibrationPeriodDays: fields.calPeriod, locationId: fields.measId, maxPhysical: fields.maxPhys,
          calibrationInitials: fields.initials, bridge: ['quarter', 'half', 'full'][fields.bridge], excitation: { nominal: (1 + fields.excitationRaw[0]) / 10 },
        });
      },
    ));
  });
});

describe('what is not a whole, known data sheet', () => {
  const memory = (): Uint8Array => paged(writeTeds(made));

  it('is refused with the page whose checksum is wrong, for every bit of both pages', () => {
    for (let bit = 0; bit < 512; bit++) {
      const bytes = memory();
      bytes[bit >> 3]! ^= 1 << (bit & 7);
      const page = bit < 256 ? 1 : 2;
      expect(() => decodeTeds(bytes, { paged: true })).toThrow(expect.objectContaining({ code: 'TEDS_CHECKSUM', message: expect.stringContaining(`page ${page} `) as string }) as Error);
    }
  });

  it('may be followed by erased pages', () => {
    const bytes = memory();
    bytes.fill(0xff, 64);
    expect(decodeTeds(bytes, { paged: true }).serialNumber).toBe(12_345);
  });

  it('is refused when it is cut, blank, erased, or not of whole pages', () => {
    for (let length = 9; length < 40; length++) expect(codeOf(() => decodeTeds(writeTeds(made).subarray(0, length), { paged: false }))).toBe('TEDS_FORMAT');
    expect(codeOf(() => decodeTeds(new Uint8Array(128), { paged: true }))).toBe('TEDS_FORMAT');
    expect(codeOf(() => decodeTeds(new Uint8Array(128).fill(0xff), { paged: true }))).toBe('TEDS_CHECKSUM');
    expect(codeOf(() => decodeTeds(new Uint8Array(128).fill(0xff), { paged: false }))).toBe('TEDS_FORMAT');
    expect(codeOf(() => decodeTeds(writeTeds(made), { paged: true }))).toBe('TEDS_FORMAT');
    expect(codeOf(() => decodeTeds(writeTeds({ ...made, maxPhys: Infinity }), { paged: false }))).toBe('TEDS_FORMAT');
  });

  it('is told as its basic part when there is no more', () => {
    for (const bytes of [hex(sensor.basic_hex), Buffer.concat([hex(sensor.basic_hex), Buffer.alloc(40)])]) {
      expect(decodeTeds(bytes, { paged: false })).toMatchObject({ serialNumber: 12_345, template: null, notDecoded: [], remark: null, calibrationDate: null });
      expect(codeOf(() => transducerFromTeds(decodeTeds(bytes, { paged: false })))).toBe('TEDS_NOT_TORQUE');
    }
  });

  it.each([25, 35, 40, 41, 42])('names template %d as not decoded', (id) => {
    const teds = decodeTeds(writeBasic(made).put(0, 2).put(id, 8).put(0x1234567, 32).bytes(), { paged: false });
    expect(teds).toMatchObject({ serialNumber: 12_345, template: null, notDecoded: [id] });
    expect(() => transducerFromTeds(teds)).toThrow(`template ${id}`);
  });

  it.each([0, 1, 3])('names template 33 with electrical precision %d as not decoded', (precision) => {
    const writer = writeBasic(made).put(0, 2).put(33, 8).put(10, 6).single(-100).single(100).put(precision, 2).put(0x155, 32).put(0x155, 32);
    expect(decodeTeds(writer.bytes(), { paged: false })).toMatchObject({ template: null, notDecoded: [33], remark: expect.stringContaining(`precision ${precision}`) as string });
  });

  it('keeps a decoded template when another follows it, and says of a selector that it is not decoded', () => {
    const bits = (tail: [number, number][]): Uint8Array => {
      const whole = writeTeds(made);
      const writer = writeBasic(made);
      writer.bits.length = 0;
      for (let i = 0; i < 8 * whole.length - 3; i++) writer.put((whole[i >> 3]! >> (i & 7)) & 1, 1);
      for (const [value, width] of tail) writer.put(value, width);
      return writer.bytes();
    };
    expect(decodeTeds(bits([[0, 2], [40, 8], [7, 30]]), { paged: false })).toMatchObject({ template: { id: 33 }, notDecoded: [40] });
    expect(decodeTeds(bits([[1, 2], [7, 30]]), { paged: false })).toMatchObject({ template: { id: 33 }, notDecoded: [], remark: expect.stringContaining('selector 1') as string });
  });

  it('is never anything but a data sheet or a named fault, whatever the bytes', () => {
    fc.assert(fc.property(fc.uint8Array({ maxLength: 130 }), fc.boolean(), (bytes, isPaged) => {
      expect(['none', 'TEDS_FORMAT', 'TEDS_CHECKSUM', 'TEDS_NOT_TORQUE']).toContain(codeOf(() => transducerFromTeds(decodeTeds(bytes, { paged: isPaged }))));
    }), { numRuns: 500 });
  });
});

describe('the tables', () => {
  it('have as many measurands as the published enumeration, with the torques in their places', () => {
    expect(PHYSICAL_MEASURANDS.length).toBe(vectors.physical_measurand_enum.length);
    expect([...TORQUE_MEASURANDS.keys()].map((code) => vectors.physical_measurand_enum[code])).toEqual(['Nm', 'oz-in']);
  });

  it.each(Object.entries(vectors.date_checks))('day %s is number %d', (day, number) => {
    expect(decodeTeds(writeTeds({ ...made, calDateRaw: number }), { paged: false }).calibrationDate).toBe(day);
  });
});
