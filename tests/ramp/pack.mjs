// Makes the scripts and styles that pages load out of those that people read: shorter names, no
// blanks. The program carries what is packed; the head of each file tells which source it was made
// of, and a test beside `src/web/assets.rs` fails where that is no longer so.
import { createHash } from 'node:crypto';
import { mkdirSync, readFileSync, writeFileSync } from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { transform } from 'lightningcss';
import { minify } from 'terser';

const WEB = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../../src/web');
const FOLDER = path.join(WEB, 'script'), PAGES = path.join(WEB, 'pages');
const SCRIPTS = {
  ramp: ['bits', 'outbox', 'states', 'form'],
  route: ['route'],
  crew: ['bits', 'crew'],
  board: ['board'],
  phone: ['phone'],
  worker: ['worker'],
};
const STYLES = ['style', 'print'];
const sha256 = (source) => createHash('sha256').update(source).digest('hex');

mkdirSync(path.join(FOLDER, 'packed'), { recursive: true });
mkdirSync(path.join(PAGES, 'packed'), { recursive: true });
for (const [name, parts] of Object.entries(SCRIPTS)) {
  const source = parts.map((part) => readFileSync(path.join(FOLDER, `${part}.js`), 'utf8')).join('');
  const { code } = await minify(`(()=>{${source}})();`, { compress: { passes: 2, reduce_funcs: false }, ecma: 2022 });
  writeFileSync(path.join(FOLDER, 'packed', `${name}.js`), `// ${sha256(source)}\n${code}\n`);
}
for (const style of STYLES) {
  const filename = path.join(PAGES, `${style}.css`), source = readFileSync(filename);
  const { code, warnings } = transform({ filename, code: source, minify: true });
  if (warnings.length) throw new Error(`${filename}: ${JSON.stringify(warnings)}`);
  writeFileSync(path.join(PAGES, 'packed', `${style}.css`), `/* ${sha256(source)} */\n${code}\n`);
}
