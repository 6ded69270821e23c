import { fileURLToPath } from 'node:url';
import { defineConfig } from 'vite';

const root = fileURLToPath(new URL('../daemon/page', import.meta.url));

/** The live page: one script, one style sheet, relative addresses, nothing from elsewhere. */
export default defineConfig({
  root,
  base: './',
  publicDir: false,
  cacheDir: fileURLToPath(new URL('../node_modules/.vite-page', import.meta.url)),
  build: {
    outDir: fileURLToPath(new URL('../daemon/page/dist', import.meta.url)),
    emptyOutDir: true,
    target: 'es2022',
    // Everything stays a file of its own under a hashed name: a strict content security policy allows no data: addresses.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
    reportCompressedSize: false,
  },
});
