// Prints "N passed, N failed" from vitest's JSON report, alone on its line; ends with 1 unless all passed.
// A test file that could not be loaded counts as one failure, as its tests never ran. Plain old JavaScript.
import { readFileSync } from 'fs';

var result = JSON.parse(readFileSync(process.argv[2], 'utf8'));
var notLoaded = result.testResults.filter(function (file) {
  return file.status === 'failed' && file.assertionResults.length === 0;
}).length;
var passed = result.numPassedTests;
var failed = result.numFailedTests + notLoaded;
var notRun = result.numPendingTests + result.numTodoTests;
if (notRun > 0) process.stdout.write(notRun + ' not run\n');
process.stdout.write(passed + ' passed, ' + failed + ' failed\n');
process.exitCode = failed === 0 && passed > 0 && result.success === true ? 0 : 1;
