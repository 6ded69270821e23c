/** Which endpoints of a USB device carry its bytes. */
import { TorsiondError } from './errors.ts';
import type { UsbConfigurationShape, UsbEndpointShape, UsbInterfaceShape } from './usb-shapes.ts';

export interface PipesWanted {
  /** Left out: the only interface that has a bulk or interrupt endpoint to read from. */
  readonly interface?: number | undefined;
  /** Numbers of the endpoints, without the bit of direction. Left out: the only one there. */
  readonly inEndpoint?: number | undefined;
  readonly outEndpoint?: number | undefined;
}

export interface UsbPipes {
  readonly interfaceNumber: number;
  readonly input: UsbEndpointShape;
  /** Null: nothing can be written. */
  readonly output: UsbEndpointShape | null;
}

type Direction = UsbEndpointShape['direction'];

/** @throws TorsiondError LINK_SETTINGS with the list of what there is, when the settings do not name one of them or leave a choice */
export function findPipes(configuration: UsbConfigurationShape, wanted: PipesWanted, label: string): UsbPipes {
  const refuse = (what: string): TorsiondError => new TorsiondError('LINK_SETTINGS', `${what}; the device has ${describe(configuration)}`, { where: label });
  const { interfaces } = configuration;
  const candidates = wanted.interface === undefined
    ? interfaces.filter((one) => usable(one, 'in').length > 0)
    : interfaces.filter((one) => one.interfaceNumber === wanted.interface);
  const [chosen] = candidates;
  if (!chosen) throw refuse(wanted.interface === undefined ? 'no interface can be read' : `there is no interface ${wanted.interface}`);
  if (candidates.length > 1) throw refuse('several interfaces can be read, so the settings must name one (interface)');

  const pick = (direction: Direction, number: number | undefined, setting: string): UsbEndpointShape | null => {
    const found = usable(chosen, direction).filter((endpoint) => number === undefined || endpoint.endpointNumber === number);
    if (found.length > 1) throw refuse(`interface ${chosen.interfaceNumber} has several ${direction} endpoints, so the settings must name one (${setting})`);
    if (found.length === 0 && number !== undefined) throw refuse(`interface ${chosen.interfaceNumber} has no bulk or interrupt endpoint ${number} ${direction}`);
    return found[0] ?? null;
  };
  const input = pick('in', wanted.inEndpoint, 'inEndpoint');
  if (!input) throw refuse(`interface ${chosen.interfaceNumber} has no bulk or interrupt endpoint to read from`);
  return { interfaceNumber: chosen.interfaceNumber, input, output: pick('out', wanted.outEndpoint, 'outEndpoint') };
}

function usable({ alternate }: UsbInterfaceShape, direction: Direction): readonly UsbEndpointShape[] {
  return alternate.endpoints.filter((endpoint) => endpoint.direction === direction && (endpoint.type === 'bulk' || endpoint.type === 'interrupt'));
}

function describe({ interfaces }: UsbConfigurationShape): string {
  const texts = interfaces.map(({ interfaceNumber, alternate }) => {
    const endpoints = alternate.endpoints.map(({ endpointNumber, direction, type, packetSize }) => `${type} ${direction} ${endpointNumber} (${packetSize} bytes)`);
    return `interface ${interfaceNumber}: ${endpoints.join(', ') || 'no endpoints'}`;
  });
  return texts.join('; ') || 'no interfaces';
}
