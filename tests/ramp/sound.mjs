// Whether HTML is sound, by html-validate and by vnu, the checker of the HTML Standard's editors.
import assert from 'node:assert/strict';
import { execFileSync } from 'node:child_process';
import { createRequire } from 'node:module';
import path from 'node:path';
import { HtmlValidate } from 'html-validate';

const require = createRequire(import.meta.url);
// Matters of taste, and those of pages that load what is not theirs.
const RULES = {
  'doctype-style': 'off', 'long-title': 'off', 'no-trailing-whitespace': 'off', 'tel-non-breaking': 'off',
  'require-sri': 'off', 'no-implicit-button-type': 'error',
  'form-dup-name': ['error', { shared: ['radio', 'checkbox', 'submit', 'button', 'reset'] }],
};

export async function htmlFaults(name, text, more = {}) {
  const checker = new HtmlValidate({ extends: ['html-validate:recommended'], rules: { ...RULES, ...more } });
  const report = await checker.validateString(text);
  return report.results.flatMap((one) => one.messages.map((it) => `${name} ${it.line}: ${it.ruleId}: ${it.message}`));
}

export function vnuFaults(files) {
  try {
    execFileSync('java', ['-version'], { stdio: 'ignore' });
  } catch {
    console.log('NOT CHECKED by vnu: there is no java here');
    return;
  }
  const jar = path.join(path.dirname(require.resolve('vnu-jar/package.json')), 'build/dist/vnu.jar');
  try {
    execFileSync('java', ['-jar', jar, '--format', 'text', ...files], { stdio: 'pipe' });
  } catch (error) {
    assert.fail(`${error.stdout}${error.stderr}`);
  }
}
