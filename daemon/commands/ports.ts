/** `torsiond ports`: what is plugged in, by the names that stay. */
import type { SerialPortEntry } from '../../drivers/links/serial-ports.ts';
import type { UsbDeviceEntry } from '../../drivers/links/usb-devices.ts';
import type { RegisterCommand } from './context.ts';
import { JSON_OPTION } from './options.ts';

export const registerPorts: RegisterCommand = (program, context, finish) => {
  program.command('ports')
    .summary('serial ports, USB and HID devices')
    .description('Lists the serial ports by the name that survives re-plugging, and the USB and HID devices, with what is known of each.')
    .option(...JSON_OPTION)
    .action(finish(async (options: { json?: boolean }) => {
      const [{ listSerialPorts }, { listUsbDevices }] = await Promise.all([import('../../drivers/links/serial-ports.ts'), import('../../drivers/links/usb-devices.ts')]);
      const [serial, usb] = await Promise.all([listSerialPorts(), listUsbDevices()]);
      const notes = [...serial.notes, ...usb.notes];
      if (options.json) {
        for (const port of serial.ports) await context.print(JSON.stringify({ type: 'serial', ...port }));
        for (const device of usb.devices) await context.print(JSON.stringify({ type: device.kind, ...device }));
        for (const note of notes) await context.complain(note);
        return 0;
      }
      await context.print(serial.ports.length === 0 ? 'No serial port is there.' : 'Serial ports');
      for (const port of serial.ports) for (const line of portLines(port)) await context.print(`  ${line}`);
      if (usb.devices.length > 0) await context.print('USB and HID devices');
      for (const device of usb.devices) for (const line of deviceLines(device)) await context.print(`  ${line}`);
      for (const note of notes) await context.print(`Note: ${note}`);
      return 0;
    }));
};

/** The name for the settings, then what is known. */
export function portLines(port: SerialPortEntry): readonly string[] {
  const lines = [port.path === port.node ? port.path : `${port.path}  (now ${port.node})`];
  if (port.usb) {
    const { manufacturer, vendorId, productId, serialNumber } = port.usb;
    lines.push(`  USB ${vendorId ?? '????'}:${productId ?? '????'}${manufacturer === null ? '' : ` ${manufacturer}`}${serialNumber === null ? ', no serial number' : `, serial number ${serialNumber}`}`);
  }
  if (port.access && !port.access.mayOpen) lines.push(`  may not be opened (${port.access.mode} ${port.access.owner} ${port.access.group}). ${port.access.remedy}`);
  if (port.latencyTimerMs !== null && port.latencyTimerMs > 1) lines.push(`  the adapter gathers bytes for ${port.latencyTimerMs} ms; config/udev sets 1`);
  return lines;
}

/** What is known, then the link that the settings would name. */
export function deviceLines(device: UsbDeviceEntry): readonly string[] {
  const { kind, vendorId, productId, manufacturer, product, serialNumber, node, place, serialPorts, sharesName } = device;
  const names = [manufacturer, product].filter((text) => text !== null).join(' ') || 'no name';
  const facts = [`${kind.toUpperCase()} ${vendorId ?? '????'}:${productId ?? '????'} ${names}`, ...(serialNumber === null ? [] : [`serial number ${serialNumber}`]),
    ...(place === null ? [] : [`socket ${place}`]), ...(node === null ? [] : [node])];
  if (serialPorts.length > 0) return [facts.join(', '), `  is the serial port ${serialPorts.join(', ')}: use link kind serial`];
  if (vendorId === null || productId === null) return [facts.join(', ')];
  const identity = sharesName || serialNumber === null ? (place === null ? null : `place: ${JSON.stringify(place)}`) : `serialNumber: ${JSON.stringify(serialNumber)}`;
  if (sharesName && identity === null) return [facts.join(', '), '  another one has the same ids and serial number, and no socket tells them apart'];
  return [
    facts.join(', '),
    `  link: { kind: ${kind}, vendorId: '${vendorId}', productId: '${productId}'${identity === null ? '' : `, ${identity}`} }`,
    ...(sharesName ? ['  another one has the same ids and serial number; the socket is then the identity, so do not swap the plugs'] : []),
  ];
}
