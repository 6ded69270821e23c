#!/usr/bin/env node
// The way in. Plain old JavaScript, so that an unsupported Node gets as far as saying so in one line.
import { createRequire } from 'module';
import { existsSync } from 'fs';
import { fileURLToPath } from 'url';

var OLDEST_MAJOR = 24;
var EXIT_SETTINGS = 78;

function refuse(line) {
  process.stderr.write(line + '\n', function () {
    process.exit(EXIT_SETTINGS);
  });
}

/** Loads what has machine code in it; returns what fails, or an empty text. */
function brokenModule() {
  var require = createRequire(import.meta.url);
  var names = ['better-sqlite3', 'serialport'];
  for (var i = 0; i < names.length; i++) {
    try {
      var loaded = require(names[i]);
      // This one loads its machine code only with the first database.
      if (names[i] === 'better-sqlite3') new loaded(':memory:').close();
    } catch (error) {
      var reason = String((error && error.message) || error).split('\n')[0].replace(/\.$/, '');
      return names[i] + ' does not load: ' + reason;
    }
  }
  return '';
}

if (Number(process.versions.node.split('.')[0]) < OLDEST_MAJOR) {
  refuse('NODE_UNSUPPORTED this is Node ' + process.versions.node + '; torsiond needs Node ' + OLDEST_MAJOR + ' or newer (' + process.execPath
    + '). Run it with Node ' + OLDEST_MAJOR + ' or newer; inside the repository use the npm scripts, which bring it along.');
} else {
  var broken = brokenModule();
  if (broken) {
    refuse('NATIVE_MODULE ' + broken + ' (Node ' + process.versions.node + ', ' + process.platform + ' ' + process.arch
      + '). Install again with "npm ci" on this machine; the message names the module.');
  } else {
    // In the repository Node runs the sources; a packed copy brings them built.
    var source = new URL('./main.ts', import.meta.url);
    var built = new URL('../dist/daemon/main.js', import.meta.url);
    import((existsSync(fileURLToPath(source)) ? source : built).href).catch(function (error) {
      process.stderr.write('INTERNAL ' + String((error && error.stack) || error) + '\n', function () {
        process.exit(70);
      });
    });
  }
}
