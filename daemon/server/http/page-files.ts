import { readdirSync, readFileSync } from 'node:fs';
import type { IncomingHttpHeaders } from 'node:http';
import { extname, join, relative, sep } from 'node:path';
import { PAGE_TOKEN_META } from '../../../shared/wire/protocol.ts';

const MEDIA_TYPES: Readonly<Record<string, string>> = {
  '.html': 'text/html; charset=utf-8', '.js': 'text/javascript; charset=utf-8', '.css': 'text/css; charset=utf-8',
  '.svg': 'image/svg+xml', '.png': 'image/png', '.ico': 'image/x-icon', '.woff2': 'font/woff2', '.json': 'application/json; charset=utf-8',
  '.webmanifest': 'application/manifest+json', '.txt': 'text/plain; charset=utf-8',
};
const MAX_BYTES = 16 * 1024 * 1024;
const ACCESS_MARK = '<!--torsiond:access-->';

export interface PageFile {
  readonly body: Buffer;
  readonly mediaType: string;
  /** Its name has a hash of its content, so that it never changes. */
  readonly isImmutable: boolean;
}

/**
 * The files of the page, read once. A request names one of them or none: no path of a request ever reaches the file
 * system.
 */
export class PageFiles {
  readonly #files: ReadonlyMap<string, PageFile>;

  /** @param directory of the built page; null or without an index.html: there is no page */
  constructor(directory: string | null) {
    this.#files = directory === null ? new Map<string, PageFile>() : readFiles(directory);
  }

  get hasPage(): boolean {
    return this.#files.has('/index.html');
  }

  find(path: string): PageFile | null {
    return this.#files.get(path === '/' ? '/index.html' : path) ?? null;
  }

  /** The page with its token, or without one. */
  index(token: string | null): string {
    const html = this.#files.get('/index.html')!.body.toString('utf8');
    const meta = token === null ? '' : `<meta name="${PAGE_TOKEN_META}" content="${token}">`;
    return html.includes(ACCESS_MARK) ? html.replace(ACCESS_MARK, meta) : html.replace(/<head[^>]*>/i, (head) => head + meta);
  }
}

/**
 * Whether the page may be answered with its token in it: opened as a page of its own, or by itself. Everything that
 * another site could embed or fetch is told apart by what browsers say of the request (Fetch Metadata). What a page
 * contains is out of reach for the site that linked to it.
 */
export function isOpenedAsPage(headers: IncomingHttpHeaders): boolean {
  const site = headers['sec-fetch-site'];
  if (site === undefined || site === 'same-origin' || site === 'none') return true;
  return headers['sec-fetch-mode'] === 'navigate' && headers['sec-fetch-dest'] === 'document';
}

/** Nothing inline, nothing from elsewhere, in no frame. */
export function contentSecurityPolicy(host: string): string {
  return [
    'default-src \'none\'', 'script-src \'self\'', 'style-src \'self\'', 'img-src \'self\' data:', 'font-src \'self\'', 'manifest-src \'self\'',
    `connect-src 'self' ws://${host} wss://${host}`, 'base-uri \'none\'', 'form-action \'none\'', 'frame-ancestors \'none\'', 'object-src \'none\'',
  ].join('; ');
}

function readFiles(directory: string): ReadonlyMap<string, PageFile> {
  const files = new Map<string, PageFile>();
  let total = 0;
  let entries: string[];
  try {
    entries = readdirSync(directory, { recursive: true, withFileTypes: true }).filter((entry) => entry.isFile()).map((entry) => join(entry.parentPath, entry.name));
  } catch {
    return files;
  }
  for (const path of entries) {
    const mediaType = MEDIA_TYPES[extname(path)];
    if (mediaType === undefined) continue;
    const body = readFileSync(path);
    total += body.byteLength;
    if (total > MAX_BYTES) throw new RangeError(`the files of the page in ${directory} exceed ${MAX_BYTES} bytes`);
    const name = `/${relative(directory, path).split(sep).join('/')}`;
    files.set(name, { body, mediaType, isImmutable: /-[\w-]{8,}\.\w+$/.test(name) });
  }
  return files;
}
