// The HTML of every kind of letter, as `cargo test --test letters` leaves it in `target/letters`, held
// against the HTML Standard by two checkers that know nothing of this project.
import test from 'node:test';
import assert from 'node:assert/strict';
import { existsSync, readdirSync, readFileSync } from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { htmlFaults, vnuFaults } from './sound.mjs';

const FOLDER = fileURLToPath(new URL('../../target/letters', import.meta.url));
const LETTERS = existsSync(FOLDER) ? readdirSync(FOLDER).filter((name) => name.endsWith('.html')) : [];
// Mail programs drop what is not written at the element itself.
const OFF = { 'no-inline-style': 'off' };

test('the HTML of letters is sound', async () => {
  assert.ok(LETTERS.length > 20, `run "cargo test --test letters" first: ${LETTERS.length} letters`);
  for (const name of LETTERS) {
    assert.deepEqual(await htmlFaults(name, readFileSync(path.join(FOLDER, name), 'utf8'), OFF), []);
  }
  vnuFaults(LETTERS.map((name) => path.join(FOLDER, name)));
});
