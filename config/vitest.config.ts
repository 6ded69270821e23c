import { fileURLToPath } from 'node:url';
import { defineConfig } from 'vitest/config';

export default defineConfig({
  root: fileURLToPath(new URL('..', import.meta.url)),
  test: {
    pool: 'forks',
    // These end what hangs; how long a test takes is not what it tests.
    testTimeout: 300_000,
    hookTimeout: 300_000,
    setupFiles: ['tests/setup/property-seed.ts'],
    projects: [
      {
        extends: true,
        test: { name: 'parts', include: ['tests/**/*.test.ts'], exclude: ['tests/system/**'], maxWorkers: 2, sequence: { groupOrder: 0 } },
      },
      {
        // Real processes with limits in milliseconds: one file at a time, and nothing beside it.
        extends: true,
        test: { name: 'whole', include: ['tests/system/**/*.test.ts'], maxWorkers: 1, sequence: { groupOrder: 1 } },
      },
    ],
  },
});
