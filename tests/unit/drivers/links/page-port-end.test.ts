import { expect, it } from 'vitest';
import { PagePort } from '../../../../drivers/links/page-port.ts';
import { ManualClock } from '../../../helpers/manual-clock.ts';

it.each([1, 2, 5])('a page that is given up while it is told something (message %i) leaves no timer behind', (last) => {
  const clock = new ManualClock();
  let told = 0;
  const port: PagePort = new PagePort({
    instrument: 'bench-a', title: 'Bench A', who: 'test', clock, onOffer: () => {}, onGone: () => {},
    duplex: {
      send: () => {
        if (++told === last) port.end(1013, 'the page does not take what it is sent');
      },
      close: () => {},
    },
  });
  port.receive(JSON.stringify({ type: 'offer', name: 'USB 1209:0001', page: 'p1', takeOver: false }));
  for (let i = 0; i < 10 && !port.isGone; i++) clock.advance(40);
  expect([port.isGone, told, clock.pendingTimers]).toEqual([true, last, 0]);
});
