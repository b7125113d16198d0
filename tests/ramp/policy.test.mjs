// Every page of a plan that is full of markup, with the browser itself counting what its policy
// (CSP Level 3, "report a violation") had to hold back: nothing may be, and nothing may run.
import test, { after, before } from 'node:test';
import assert from 'node:assert/strict';
import { readdirSync, readFileSync } from 'node:fs';
import path from 'node:path';
import { Lamp, hangUp, local, phone, sleep } from './lamp.mjs';

// Bits of markup that run or load something where they are not escaped.
const MARKUP = [
  '<script>window.ran=1</script>', '"><img src=x onerror=window.ran=1>', '\'><svg/onload=window.ran=1>',
  '</title><style>*{color:red}</style>', '<a href="javascript:window.ran=1">x</a>', '{{7*7}}<!--', ']]>&quot;&#60;b&#62;',
  '<iframe srcdoc="<b>x">', '<base href=//evil.example.org>', '<b style="color:red">x</b>',
];
let at = 0;
const some = (name) => { at += 1; return `${name} ${MARKUP[at % MARKUP.length]}`; };

function plan() {
  const [launch, due] = [local(-30), local(120)].map((one) => `${one.date}T${one.time}`);
  const person = (name) => ({
    name: some(name), phone: '+1 360 555 0142', wearing: some('red'), medical: some('asthma'),
    swims: some('well'), experience: some('years'),
  });
  return {
    title: some('Halibut'), times: { launch, return_by: due },
    launch: { position: '48.5420 -123.1620', name: some('Ramp'), vehicle: some('car') },
    waypoint: MARKUP.map((_, i) => ({ name: some('Point'), position: `48.5${i}00 -123.2000`, stay: '5m' })),
    crew: [{ ...person('Ines'), email: 'ines@example.org' }, person('Tomas')],
    craft: [{ name: some('Petrel'), marks: some('scratches'), colours: some('lime') }],
    gear: { notes: MARKUP.join('\n') },
    contact: [
      { name: some('Dunstan'), email: 'dunstan@example.org', relation: some('sister'), phone: '+1 360 555 0177' },
      { name: some('Mirela'), email: 'mirela@example.org', phone: '+1 360 555 0118' },
    ],
  };
}

let lamp;
before(async () => { lamp = await Lamp.lit(); });
after(async () => { await hangUp(); await lamp.end(); });

// The links in the letters of this plan.
async function links(ref) {
  const found = new Set();
  for (let tries = 0; tries < 100 && found.size < 2; tries += 1) {
    const folder = path.join(lamp.folder, 'letters');
    for (const name of readdirSync(folder).filter((one) => one.includes(ref))) {
      const letter = readFileSync(path.join(folder, name), 'utf8').replace(/=\r?\n/g, '').replaceAll('=3D', '=');
      for (const [link] of letter.matchAll(/http:\/\/127\.0\.0\.1:\d+\/(contact|crew|confirm|rescue)\/[\w/-]+/g)) found.add(link);
    }
    await sleep(100);
  }
  return [...found];
}

test('no page of a plan full of markup breaks the policy or runs any of it', async () => {
  const filed = await lamp.api('/api/v1/plans', 'POST', plan());
  assert.equal(filed.status, 201, JSON.stringify(filed.json));
  const { ref } = filed.json;
  const page = await phone(lamp);
  await page.addInitScript(() => {
    window.violations = [];
    document.addEventListener('securitypolicyviolation', (event) => window.violations.push(`${event.violatedDirective} ${event.blockedURI} ${event.sample}`));
  });
  const outside = [];
  page.on('request', (request) => { if (!request.url().startsWith(lamp.base)) outside.push(request.url()); });
  const look = async (where) => {
    await page.goto(where);
    await page.waitForLoadState('load');
    const seen = await page.evaluate(() => ({
      violations: window.violations, ran: window.ran, own: document.querySelectorAll('main iframe, main base, main [onerror], main [onload], main b[style], main a[href^="javascript:"]').length,
      inline: [...document.scripts].filter((one) => !one.src && one.type !== 'application/json').length,
    }));
    assert.deepEqual(seen, { violations: [], ran: undefined, own: 0, inline: 0 }, where);
  };
  const letters = await links(ref);
  assert.ok(letters.some((one) => one.includes('/contact/')), String(letters));
  const crew = filed.json.links.crew;
  for (const where of ['/', `/filed/${ref}`, '/code', '/board', '/nowhere', '/api/v1/plans', ...letters, crew]) {
    await look(where.startsWith('http') ? where : lamp.base + where);
  }
  // What people typed comes back on the pages of others.
  const contact = letters.find((one) => one.includes('/contact/'));
  for (const markup of MARKUP) {
    const answer = await fetch(contact, { method: 'POST', body: new URLSearchParams({ act: 'on-it', once: markup, name: `Dunstan ${markup}`.slice(0, 80) }), redirect: 'manual' });
    assert.equal(answer.status, 303, markup);
  }
  const note = await fetch(crew, { method: 'POST', body: new URLSearchParams({ act: 'still-out', once: 'n', name: `Ines ${MARKUP[1]}`, note: MARKUP[0] }), redirect: 'manual' });
  assert.equal(note.status, 303);
  for (const where of [crew, contact]) await look(where);
  // The keeper's board, which is written anew by a script.
  const boss = await lamp.newKey(`Pell ${MARKUP[1]}`, '--keeper');
  await page.context().clearCookies();
  await page.goto(boss.link);
  await look(`${lamp.base}/board`);
  await sleep(4000);
  assert.deepEqual(await page.evaluate(() => [window.violations, window.ran]), [[], undefined]);
  // The counter counts: what the policy forbids is seen by it.
  await page.evaluate(() => { const one = document.createElement('img'); one.src = 'https://evil.example.org/x.png'; document.body.append(one); });
  await page.waitForFunction(() => window.violations.length === 1);
  assert.deepEqual(outside.filter((one) => !one.includes('evil.example.org/x.png')), []);
  assert.deepEqual(page.faults.filter((one) => !one.includes('evil.example.org/x.png')), []);
  await page.context().close();
});
