/**
 * Where pages that have a port meet the instruments that want one. A page offers a port for one instrument; the
 * instrument sees it as plugged in and opens it. One page serves an instrument at a time.
 */
import type { OpenLink } from '../../drivers/links/link.ts';
import { PagePort, type PageDuplex } from '../../drivers/links/page-port.ts';
import type { Clock } from '../../shared/clock.ts';
import { TorsiondError } from '../../shared/errors.ts';
import type { PortHow, PortKind, PortUsbDevice } from '../../shared/wire/port-messages.ts';
import type { InstrumentSettings, LinkSettings } from '../settings/schema.ts';

/** Links to what a page has: a serial port, or a USB device. */
export type PageLinkSettings = Extract<LinkSettings, { kind: 'browser' | 'browser-usb' }>;

export function isPageLink(link: LinkSettings): link is PageLinkSettings {
  return link.kind === 'browser' || link.kind === 'browser-usb';
}

/** Conversations of one instrument that may be under way, those included that are about to be refused. */
const PAGES_MAX = 8;

const ABSENT_HINTS: Readonly<Record<PortKind, string>> = {
  serial: 'Open the page on the computer with the transducer and press "Connect port".',
  usb: 'Open the page on the computer with the transducer and press "Connect USB device".',
};
const KIND_WORDS: Readonly<Record<PortKind, string>> = { serial: 'a serial port', usb: 'a USB device' };

/** A page's side, as the server drives it. */
export type PageConversation = Pick<PagePort, 'receive' | 'gone' | 'end' | 'heard'>;

interface Place {
  readonly settings: InstrumentSettings;
  readonly pages: Set<PagePort>;
  port: PagePort | null;
  /** Counts the ports that were offered: another number is another port. */
  offers: number;
  refused: number;
  /** Of conversations that are over. */
  past: { bytes: number; cuts: number };
}

export class BrowserPorts {
  readonly #clock: Clock;
  readonly #places: ReadonlyMap<string, Place>;

  constructor(instruments: readonly InstrumentSettings[], clock: Clock) {
    this.#clock = clock;
    this.#places = new Map(instruments.filter((entry) => isPageLink(entry.link)).map((settings) => [settings.id, {
      settings, pages: new Set<PagePort>(), port: null, offers: 0, refused: 0, past: { bytes: 0, cuts: 0 },
    }]));
  }

  /** @throws TorsiondError ROUTE_UNKNOWN when no instrument of that id takes a page's port, LIMIT_REACHED */
  check(instrument: string): void {
    const place = this.#places.get(instrument);
    if (!place) {
      const known = [...this.#places.keys()].join(', ') || 'none';
      throw new TorsiondError('ROUTE_UNKNOWN', `no instrument "${instrument.slice(0, 40)}" has link kind "browser" or "browser-usb"; those that have: ${known}`, { where: 'instruments[].link.kind' });
    }
    if (place.pages.size >= PAGES_MAX) throw new TorsiondError('LIMIT_REACHED', `${PAGES_MAX} pages are connected for "${instrument}" already`, { where: instrument });
  }

  /** Begins the conversation with a page. @throws as `check` */
  welcome(instrument: string, duplex: PageDuplex, who: string): PageConversation {
    this.check(instrument);
    const place = this.#places.get(instrument)!;
    const page = new PagePort({
      instrument, title: place.settings.title ?? instrument, who, clock: this.#clock, duplex,
      onOffer: (offer, port) => this.#take(place, offer, port),
      onGone: (port) => {
        place.pages.delete(port);
        if (place.port === port) place.port = null;
        place.past = { bytes: place.past.bytes + port.counters.bytes, cuts: place.past.cuts + port.counters.cuts };
      },
    });
    place.pages.add(page);
    return page;
  }

  /** Opens whatever port a page offers for the instrument then. @throws TorsiondError LINK_NOT_FOUND while none does, and as `PagePort.open` */
  opener(instrument: string, link: PageLinkSettings): OpenLink {
    const how = howToOpen(link);
    return (context) => {
      const port = this.#places.get(instrument)?.port ?? null;
      return port === null ? Promise.reject(portAbsent(instrument, link)) : port.open(how, context);
    };
  }

  /** Names the port that is offered now; null: none. */
  stamp(instrument: string): string | null {
    const place = this.#places.get(instrument);
    return place?.port ? String(place.offers) : null;
  }

  counters(): ReadonlyMap<string, number> {
    return new Map([...this.#places].flatMap(([id, { pages, past, offers, refused }]) => {
      const sum = (key: 'bytes' | 'cuts'): number => [...pages].reduce((all, page) => all + page.counters[key], past[key]);
      const label = `{instrument="${id}"}`;
      return [
        [`torsiond_page_port_offers_total${label}`, offers], [`torsiond_page_port_refused_total${label}`, refused],
        [`torsiond_page_port_bytes_total${label}`, sum('bytes')], [`torsiond_page_port_cuts_total${label}`, sum('cuts')],
      ] as [string, number][];
    }));
  }

  #take(place: Place, offer: { readonly page: string; readonly kind: PortKind; readonly takeOver: boolean }, port: PagePort): void {
    const wanted = portKind(place.settings.link);
    if (offer.kind !== wanted) {
      place.refused += 1;
      throw new TorsiondError('LINK_SETTINGS', `"${place.settings.id}" is read from ${KIND_WORDS[wanted]}, and this page offers ${KIND_WORDS[offer.kind]}`, {
        where: place.settings.id, hint: 'Link kind "browser" takes serial ports, "browser-usb" USB devices: choose the other one, or change the settings.',
      });
    }
    const before = place.port;
    if (before !== null && before.page !== offer.page && !offer.takeOver) {
      place.refused += 1;
      throw new TorsiondError('LINK_BUSY', `"${place.settings.id}" has a port already: ${before.label}`, {
        where: place.settings.id, hint: 'Disconnect it at that page, or let this page take its place.',
      });
    }
    place.port = port;
    place.offers += 1;
    before?.refuse(new TorsiondError('LINK_BUSY', 'another page took its place', { where: place.settings.id, hint: 'Connect the port here again if this was not meant.' }));
  }
}

/** What an instrument says that waits for a page. */
export function portAbsent(instrument: string, link: PageLinkSettings): TorsiondError {
  const kind = portKind(link);
  return new TorsiondError('LINK_NOT_FOUND', `no page offers a ${kind === 'usb' ? 'USB device' : 'port'} for this instrument`, { where: instrument, hint: ABSENT_HINTS[kind] });
}

/** The device that a page must have for the link; null: no USB device. */
export function pageUsbDevice(link: LinkSettings): PortUsbDevice | null {
  if (link.kind !== 'browser-usb') return null;
  const { vendorId, productId, serialNumber } = link;
  return { vendorId: Number.parseInt(vendorId, 16), productId: Number.parseInt(productId, 16), ...(serialNumber === undefined ? {} : { serialNumber }) };
}

function portKind(link: LinkSettings): PortKind {
  return link.kind === 'browser-usb' ? 'usb' : 'serial';
}

function howToOpen(link: PageLinkSettings): PortHow {
  if (link.kind === 'browser-usb') {
    const { kind: _kind, ...choice } = link;
    return { type: 'open-usb', usb: { ...choice, ...pageUsbDevice(link)! } };
  }
  const { baudRate, dataBits, parity, stopBits, rtscts, dtr, rts } = link;
  return { type: 'open', line: { baudRate, dataBits, parity, stopBits, flowControl: rtscts ? 'hardware' : 'none', dtr, rts } };
}
