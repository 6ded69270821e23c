// Looks before the tests for the programs they drive: one that makes pseudo terminals, and a browser. Silent when all is
// there. Installs what is missing where it may (root on a Debian system); else says the one command to run.
// Plain old JavaScript, so that any Node runs it.
import { spawnSync } from 'child_process';
import { accessSync, constants } from 'fs';
import { delimiter, join } from 'path';

var INSTALL_LIMIT_MS = 10 * 60 * 1000;

/** `oneOf`: names to look for on PATH, or whole paths. `what`: Debian's package for it. */
var NEEDED = [
  { oneOf: ['socat', 'python3'], what: 'socat', why: 'pseudo terminals in place of serial ports' },
  { oneOf: ['/usr/bin/chromium'], what: 'chromium', why: 'the tests of the page' },
];

function canRun(path) {
  try {
    accessSync(path, constants.X_OK);
    return true;
  } catch {
    return false;
  }
}

function isThere(name) {
  if (name.charAt(0) === '/') return canRun(name);
  return (process.env.PATH || '').split(delimiter).some(function (folder) {
    return folder !== '' && canRun(join(folder, name));
  });
}

function missing() {
  return NEEDED.filter(function (entry) {
    return !entry.oneOf.some(isThere);
  });
}

function run(command, args) {
  var env = Object.assign({}, process.env, { DEBIAN_FRONTEND: 'noninteractive' });
  // Output to standard error: whoever reads the tests' result from standard output gets only that.
  return spawnSync(command, args, { env: env, stdio: ['ignore', 2, 2], timeout: INSTALL_LIMIT_MS }).status === 0;
}

var wanted = missing();
if (wanted.length > 0) {
  var names = wanted.map(function (entry) {
    return entry.what;
  });
  var install = ['install', '-y', '--no-install-recommends'].concat(names);
  var mayInstall = process.platform === 'linux' && isThere('apt-get') && typeof process.getuid === 'function' && process.getuid() === 0;
  if (mayInstall) {
    process.stderr.write('The tests need ' + names.join(' and ') + ': installing.\n');
    run('apt-get', ['update']);
    run('apt-get', install);
    wanted = missing();
  }
  if (wanted.length > 0) {
    wanted.forEach(function (entry) {
      process.stderr.write('Missing: ' + entry.oneOf.join(' or ') + ', needed for ' + entry.why + '.\n');
    });
    process.stderr.write('Run: sudo apt-get ' + install.join(' ') + '\n');
    process.exit(1);
  }
}
