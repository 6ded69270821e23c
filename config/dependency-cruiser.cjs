/** Which folder may import which. Read top to bottom: shared <- drivers <- daemon; the simulator stands apart. */
module.exports = {
  forbidden: [
    { name: 'no-cycles', severity: 'error', from: {}, to: { circular: true } },
    // The example driver stands for a package elsewhere: it names the installed gateway.
    { name: 'no-unresolved', severity: 'error', from: { pathNot: '^tests/fixtures/third-party-driver/' }, to: { couldNotResolve: true } },
    { name: 'shared-imports-nothing-of-ours', severity: 'error', from: { path: '^shared/' }, to: { path: '^(drivers|daemon|simulator|tests)/' } },
    { name: 'shared-runs-in-browsers', severity: 'error', from: { path: '^shared/' }, to: { dependencyTypes: ['core'] } },
    { name: 'drivers-import-shared-only', severity: 'error', from: { path: '^drivers/' }, to: { path: '^(daemon|simulator|tests)/' } },
    { name: 'framing-and-codecs-are-pure', severity: 'error', from: { path: '^drivers/(framing/|protocols/.*codec)' }, to: { dependencyTypes: ['core'] } },
    { name: 'protocols-stand-alone', severity: 'error', from: { path: '^drivers/protocols/([^/]+)/' }, to: { path: '^drivers/protocols/', pathNot: '^drivers/protocols/$1/' } },
    { name: 'daemon-not-simulator', severity: 'error', from: { path: '^daemon/', pathNot: '^daemon/commands/' }, to: { path: '^(simulator|tests)/' } },
    { name: 'simulator-not-product', severity: 'error', from: { path: '^simulator/' }, to: { path: '^(drivers|daemon|tests)/' } },
    { name: 'capture-is-pure', severity: 'error', from: { path: '^daemon/(capture|conditioning)/' }, to: { path: '(^|/)node_modules/rxjs/|^daemon/(?!capture/|conditioning/)', dependencyTypesNot: ['type-only'] } },
    { name: 'capture-without-node', severity: 'error', from: { path: '^daemon/(capture|conditioning)/' }, to: { dependencyTypes: ['core'] } },
    { name: 'conditioning-before-capture', severity: 'error', from: { path: '^daemon/conditioning/' }, to: { path: '^daemon/capture/' } },
    // Drivers from outside are code: the settings file names them, and nothing else does.
    { name: 'drivers-loaded-by-settings', severity: 'error', from: { path: '^daemon/', pathNot: '^daemon/(settings|outside-drivers)/' }, to: { path: '^daemon/outside-drivers/' } },
    { name: 'serialport-in-links', severity: 'error', from: { path: '^(?!drivers/links/|tests/)' }, to: { path: 'node_modules/(serialport|@serialport/bindings)' } },
    { name: 'ws-in-server', severity: 'error', from: { path: '^(?!daemon/server/|shared/client/|tests/)' }, to: { path: 'node_modules/ws/' } },
    { name: 'sqlite-in-storage', severity: 'error', from: { path: '^(?!daemon/storage/|tests/)' }, to: { path: 'node_modules/better-sqlite3' } },
  ],
  options: {
    doNotFollow: { path: 'node_modules' },
    exclude: { path: '^(dist|daemon/page/dist)/' },
    tsConfig: { fileName: 'tsconfig.json' },
    tsPreCompilationDeps: true,
    enhancedResolveOptions: { exportsFields: ['exports'], conditionNames: ['import', 'require', 'node', 'default', 'types'], extensions: ['.ts', '.js', '.mjs', '.json'] },
  },
};
