import js from '@eslint/js';
import tseslint from 'typescript-eslint';

/** Time and chance come in through `shared/clock.ts` and seeded generators, so that tests and replays own them. */
const timeAndChance = [
  'error',
  { object: 'Date', property: 'now', message: 'Take a Clock.' },
  { object: 'performance', property: 'now', message: 'Take a Clock.' },
  { object: 'Math', property: 'random', message: 'Take a seeded generator.' },
];

export default tseslint.config(
  { ignores: ['**/dist/**', 'node_modules/**', 'coverage/**'] },
  js.configs.recommended,
  ...tseslint.configs.recommendedTypeChecked,
  {
    languageOptions: { parserOptions: { project: './tsconfig.json', tsconfigRootDir: new URL('..', import.meta.url).pathname } },
    rules: {
      'max-lines': ['error', { max: 400, skipBlankLines: true, skipComments: true }],
      '@typescript-eslint/no-floating-promises': 'error',
      '@typescript-eslint/switch-exhaustiveness-check': ['error', { considerDefaultExhaustiveForUnions: true }],
      '@typescript-eslint/consistent-type-imports': 'error',
      '@typescript-eslint/no-unused-vars': ['error', { argsIgnorePattern: '^_', varsIgnorePattern: '^_' }],
      '@typescript-eslint/require-await': 'off',
      '@typescript-eslint/no-non-null-assertion': 'off',
      '@typescript-eslint/restrict-template-expressions': 'off',
      '@typescript-eslint/unbound-method': 'off',
    },
  },
  {
    files: ['daemon/capture/**', 'daemon/pipeline/**', 'daemon/devices/**', 'drivers/**', 'shared/**', 'simulator/**'],
    ignores: ['shared/clock.ts'],
    rules: { 'no-restricted-properties': timeAndChance },
  },
  {
    files: ['daemon/**', 'drivers/**', 'shared/**'],
    rules: {
      'no-restricted-imports': ['error', {
        paths: [{ name: 'rxjs', importNames: ['shareReplay', 'ReplaySubject', 'concatMap', 'mergeMap', 'buffer', 'bufferTime', 'bufferCount'], message: 'Unbounded or keeps its source alive.' }],
      }],
    },
  },
  {
    // Every byte to a client passes its outbox, whose limits hold for all of them or for none.
    files: ['daemon/server/**'],
    ignores: ['daemon/server/stream/socket-transport.ts'],
    rules: {
      'no-restricted-properties': timeAndChance,
      'no-restricted-syntax': ['error', {
        selector: 'CallExpression[callee.property.name=/^(send|ping|pong)$/]:matches([callee.object.name=/socket/i], [callee.object.property.name=/socket/i])',
        message: 'Only socket-transport.ts sends on a socket.',
      }],
    },
  },
  { files: ['**/*.js', '**/*.mjs', '**/*.cjs'], extends: [tseslint.configs.disableTypeChecked], languageOptions: { globals: { process: 'readonly', console: 'readonly', URL: 'readonly', module: 'writable' } } },
);
