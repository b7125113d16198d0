// How the pages look to checkers, to small screens, to big letters, and without script.
import test, { after, before } from 'node:test';
import assert from 'node:assert/strict';
import { mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import os from 'node:os';
import path from 'node:path';
import { Lamp, TRIP, hangUp, headline, local, phone, reads, sleep, tap, write } from './lamp.mjs';
import { htmlFaults, vnuFaults } from './sound.mjs';

const require = createRequire(import.meta.url);
const AXE = readFileSync(require.resolve('axe-core/axe.min.js'), 'utf8');
const TAGS = ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'];
let lamp, pages;
before(async () => {
  lamp = await Lamp.lit();
  const keeper = lamp.newKey('Pell Marsh', '--keeper');
  const [launch, due] = [local(5), local(240)].map((at) => `${at.date}T${at.time}`);
  const { json } = await lamp.api('/api/v1/plans', 'POST', { ...TRIP, times: { launch, return_by: due } });
  pages = { ramp: '/', filed: '/filed/' + json.ref, crew: new URL(json.links.crew).pathname, change: new URL(json.links.crew).pathname + '/change', code: '/code', trips: '/trips', kept: '/phone', nothing: '/nowhere' };
  lamp.keeper = keeper;
});
after(async () => { await hangUp(); await lamp.end(); });

async function axe(page) {
  // The policy lets no script in but our own; the checker comes in beside it.
  const found = await page.evaluate(`${AXE}; axe.run(document, { runOnly: ${JSON.stringify(TAGS)} }).then((it) => it.violations.map((one) => one.id + ': ' + one.nodes.map((at) => at.html.slice(0, 120)).join(' | ')))`);
  // 1.4.6: seven to one, for all that is not large.
  const contrast = await page.evaluate(`axe.run(document, { runOnly: { type: 'rule', values: ['color-contrast-enhanced'] }, rules: { 'color-contrast-enhanced': { enabled: true } } }).then((it) => it.violations.map((one) => one.id + ': ' + one.nodes.map((at) => at.html.slice(0, 120)).join(' | ')))`);
  return [...found, ...contrast];
}

for (const scheme of ['light', 'dark']) {
  test(`no fault by WCAG 2.2 AA, and contrast of 7:1 (${scheme})`, async () => {
    const page = await phone(lamp, { colorScheme: scheme });
    for (const [name, where] of Object.entries(pages)) {
      await page.goto(lamp.base + where);
      await sleep(300);
      assert.deepEqual(await axe(page), [], name);
      if (process.env.SHOTS) await page.screenshot({ path: `${process.env.SHOTS}/${scheme}-${name}.png` });
    }
    await page.goto(lamp.base + '/');
    await write(page);
    await page.locator('.glance li').first().waitFor();
    assert.deepEqual(await axe(page), [], 'judged');
    await page.context().setOffline(true);
    await tap(page, 'button[value=file]');
    await reads(page, 'NOT FILED');
    await page.getByText('Throw this plan away').waitFor();
    assert.deepEqual(await axe(page), [], 'kept');
    await page.context().setOffline(false);
    await reads(page, 'Back by');
    assert.deepEqual(await axe(page), [], 'filed');
    await page.context().close();
  });
}

test('the HTML is sound', async () => {
  const folder = mkdtempSync(path.join(os.tmpdir(), 'html-'));
  const files = [];
  for (const [name, where] of Object.entries(pages)) {
    const answer = await fetch(lamp.base + where, { headers: { cookie: `shorelamp=${lamp.key.key}` } });
    const text = await answer.text();
    assert.deepEqual(await htmlFaults(name, text), []);
    const file = path.join(folder, `${name}.html`);
    writeFileSync(file, text);
    files.push(file);
  }
  vnuFaults(files);
});

test('320 px, and letters twice as large: nothing runs out of the screen', async () => {
  for (const more of [{ viewport: { width: 320, height: 640 } }, {}]) {
    const page = await phone(lamp, more);
    for (const [name, where] of Object.entries(pages)) {
      await page.goto(lamp.base + where);
      if (!more.viewport) await page.evaluate(() => { document.documentElement.style.fontSize = '38px'; });
      const over = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      assert.ok(over <= 0, `${name} is ${over} px too wide`);
    }
    await page.context().close();
  }
});

test('what is tapped is 56 px high, and 12 px from the next', async () => {
  const page = await phone(lamp);
  for (const where of [pages.ramp, pages.crew, pages.change]) {
    await page.goto(lamp.base + where);
    const wrong = await page.evaluate(() => {
      const all = [...document.querySelectorAll('button, .button, summary, input:not([type=hidden]), select, textarea, .pick')]
        .filter((one) => one.checkVisibility() && !one.closest('.pick input')).filter((one) => !one.matches('.pick input'));
      const boxes = all.map((one) => [one, one.getBoundingClientRect()]);
      const small = boxes.filter(([, box]) => box.height < 56).map(([one, box]) => `${one.outerHTML.slice(0, 80)} is ${box.height} high`);
      const sticky = (one) => one.closest('.go');
      for (const [one, a] of boxes) for (const [other, b] of boxes) {
        if (one === other || one.contains(other) || other.contains(one) || sticky(one) || sticky(other)) continue;
        const x = Math.max(a.left, b.left) - Math.min(a.right, b.right), y = Math.max(a.top, b.top) - Math.min(a.bottom, b.bottom);
        if (x < 11.9 && y < 11.9) small.push(`${one.outerHTML.slice(0, 60)} and ${other.outerHTML.slice(0, 60)}`);
      }
      return small;
    });
    assert.deepEqual(wrong, []);
  }
  await page.context().close();
});

test('without script the form files as ever', async () => {
  const page = await phone(lamp, { javaScriptEnabled: false });
  assert.equal(await headline(page), 'NOT FILED');
  await write(page);
  await page.locator('button[value=judge]').click();
  assert.match(await headline(page), /NOT FILED\. This is only what we think/);
  await page.locator('button[value=file]').click();
  assert.match(await headline(page), /FILED \d\d:\d\d/);
  await page.context().close();
});
