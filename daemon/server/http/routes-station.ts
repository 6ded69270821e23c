import { ChannelsAnswer, InstrumentsAnswer, ScannersAnswer, StationAnswer } from './answers.ts';
import { route } from './route.ts';

export const stationRoutes = [
  route({
    path: '/api/v1/station', summary: 'The station, its version and its store.', scope: 'read', params: null, query: null, answer: StationAnswer, errors: [],
    handle: ({ gateway, clock }) => {
      const { state, detail, lastSeq } = gateway.store.status();
      return {
        body: {
          station: gateway.station, version: gateway.version, protocol: 'torsiond.v1', at: new Date(clock.wallMs()).toISOString(), lastSeq, store: { state, detail },
        },
      };
    },
  }),
  route({
    path: '/api/v1/instruments', summary: 'Every instrument and its state.', scope: 'read', params: null, query: null, answer: InstrumentsAnswer, errors: [],
    handle: ({ gateway }) => ({ body: { instruments: gateway.instruments() } }),
  }),
  route({
    path: '/api/v1/channels', summary: 'Every channel, its transducer and its capture settings.', scope: 'read', params: null, query: null, answer: ChannelsAnswer, errors: [],
    handle: ({ gateway }) => ({ body: { channels: gateway.channels() } }),
  }),
  route({
    path: '/api/v1/scanners', summary: 'Every code scanner and foot switch, and whether it is connected.', scope: 'read', params: null, query: null, answer: ScannersAnswer, errors: [],
    handle: ({ gateway }) => ({ body: { scanners: gateway.scanners() } }),
  }),
];
