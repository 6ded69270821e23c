// Types, lint and import rules, side by side; their output one after the other. Ends with 1 unless all three pass.
import { spawn } from 'node:child_process';

const CHECKS = ['types', 'lint', 'rules'];

function run(name) {
  return new Promise((resolve) => {
    let output = '';
    const child = spawn('npm', ['run', '-s', name], { stdio: ['ignore', 'pipe', 'pipe'], shell: process.platform === 'win32' });
    child.stdout.on('data', (bytes) => (output += bytes));
    child.stderr.on('data', (bytes) => (output += bytes));
    child.once('error', (error) => resolve({ output: `${error.message}\n`, isGood: false }));
    child.once('close', (code) => resolve({ output, isGood: code === 0 }));
  });
}

const results = CHECKS.map((name) => run(name));
let isGood = true;
for (const [i, name] of CHECKS.entries()) {
  const result = await results[i];
  isGood &&= result.isGood;
  process.stdout.write(`${name}: ${result.isGood ? 'passed' : 'failed'}\n${result.isGood ? '' : result.output}`);
}
process.exitCode = isGood ? 0 : 1;
