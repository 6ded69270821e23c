import * as z from 'zod';
import { asyncApiDocument } from '../documents/asyncapi.ts';
import { openApiDocument } from '../documents/openapi.ts';
import { healthRoutes } from './routes-health.ts';
import { readingRoutes } from './routes-readings.ts';
import { recordingRoutes } from './routes-recording.ts';
import { stationRoutes } from './routes-station.ts';
import { route, type Route } from './route.ts';

const Document = z.record(z.string(), z.unknown());

/** Every address of the HTTP interface but the files of the page. */
export const ROUTES: readonly Route[] = [
  ...healthRoutes,
  ...stationRoutes,
  ...recordingRoutes,
  ...readingRoutes,
  route({
    path: '/api/v1/openapi.json', summary: 'This interface as an OpenAPI 3.1 document.', scope: 'read', params: null, query: null, answer: Document, errors: [],
    handle: ({ gateway }) => ({ body: openApiDocument(ROUTES, gateway.version) }),
  }),
  route({
    path: '/api/v1/asyncapi.json', summary: 'The WebSocket interface as an AsyncAPI 3.0 document.', scope: 'read', params: null, query: null, answer: Document, errors: [],
    handle: ({ gateway }) => ({ body: asyncApiDocument(gateway.version) }),
  }),
];
