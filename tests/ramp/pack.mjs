// Makes the scripts that pages load out of those that people read: shorter names, no blanks. The
// program carries what is packed; the head of each file tells which source it was made of, and a
// test beside `src/web/assets.rs` fails where that is no longer so.
import { createHash } from 'node:crypto';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { minify } from 'terser';

const FOLDER = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../../src/web/script');
const SCRIPTS = {
  ramp: ['bits', 'outbox', 'states', 'form'],
  route: ['route'],
  crew: ['bits', 'crew'],
  board: ['board'],
  worker: ['worker'],
};

mkdirSync(path.join(FOLDER, 'packed'), { recursive: true });
for (const [name, parts] of Object.entries(SCRIPTS)) {
  const source = parts.map((part) => readFileSync(path.join(FOLDER, `${part}.js`), 'utf8')).join('');
  const { code } = await minify(`(()=>{${source}})();`, { compress: { passes: 2 }, ecma: 2022 });
  const hash = createHash('sha256').update(source).digest('hex');
  writeFileSync(path.join(FOLDER, 'packed', `${name}.js`), `// ${hash}\n${code}\n`);
}
