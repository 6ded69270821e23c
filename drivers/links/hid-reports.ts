/** Stream bytes in HID reports. Places are counted without the number of the report, from 0. */
import { TorsiondError } from '../../shared/errors.ts';

export interface ReportLayout {
  /** Where the bytes begin. */
  readonly offset: number;
  /** Where a byte says how many of them count; null: all to the end of the report. */
  readonly lengthByte: number | null;
}

export interface InputReports {
  /** Number of the reports that carry data; 0: the device does not number its reports. */
  readonly reportId: number;
  readonly payload: ReportLayout;
}

export interface OutputReports extends ReportLayout {
  /** 0: the device does not number its reports. */
  readonly reportId: number;
  /** Size of an output report without its number; what is not filled is 0. */
  readonly bytes: number;
}

/**
 * @returns fresh memory, empty when the report carries nothing of ours
 * @throws TorsiondError LINK_LOST when the report is not as the settings describe it: then no byte of it can be trusted
 */
export function bytesOfReport(report: Uint8Array, { reportId, payload }: InputReports, label: string): Uint8Array {
  if (reportId !== 0 && report[0] !== reportId) return new Uint8Array(0);
  const content = reportId === 0 ? report : report.subarray(1);
  const { offset, lengthByte } = payload;
  const room = content.length - offset;
  const count = lengthByte === null ? room : content[lengthByte];
  if (count === undefined || room < 0 || count > room) {
    const what = count === undefined || room < 0 ? `has ${content.length} bytes, too few for the payload in the settings` : `says that ${count} bytes count, but has ${room}`;
    throw new TorsiondError('LINK_LOST', `a report of the device ${what}`, { where: label, hint: 'Correct "payload" and "reportId" of the link after the device\'s description.' });
  }
  return new Uint8Array(content.subarray(offset, offset + count));
}

/** @returns reports with their number as the first byte, as many as the bytes need */
export function reportsOfBytes(data: Uint8Array, { reportId, bytes, offset, lengthByte }: OutputReports): Buffer[] {
  const room = outputRoom({ reportId, bytes, offset, lengthByte });
  const reports: Buffer[] = [];
  for (let at = 0; at < data.length; at += room) {
    const part = data.subarray(at, at + room);
    const report = Buffer.alloc(1 + bytes);
    report[0] = reportId;
    report.set(part, 1 + offset);
    if (lengthByte !== null) report[1 + lengthByte] = part.length;
    reports.push(report);
  }
  return reports;
}

/** Stream bytes that fit an output report; below 1: the layout is impossible. */
export function outputRoom({ bytes, offset, lengthByte }: OutputReports): number {
  if (lengthByte === null) return bytes - offset;
  return lengthByte < offset ? Math.min(bytes - offset, 255) : 0;
}
