/** What a page with a simulated USB device needs of `torsiond/simulator`, as one script. */
export { UsbBus } from '../../../simulator/ports/usb-bus.ts';
export { SimulatedUsb } from '../../../simulator/ports/usb-page.ts';
export { openUsbPort } from '../../../simulator/ports/usb-port.ts';
