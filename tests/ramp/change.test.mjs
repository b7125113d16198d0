// The plan changed from the crew's page, with script and without.
import test, { after, before } from 'node:test';
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { Lamp, TRIP, hangUp, headline, local, phone } from './lamp.mjs';
import { htmlFaults } from './sound.mjs';

const AXE = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
let lamp;
before(async () => { lamp = await Lamp.lit(); });
after(async () => { await hangUp(); await lamp.end(); });
const shot = (page, name) => process.env.SHOTS && page.screenshot({ path: `${process.env.SHOTS}/${name}.png`, fullPage: true });
const state = async (ref) => (await lamp.api('/api/v1/plans/' + ref)).json;

for (const javaScriptEnabled of [false, true]) {
  test(`a friend joins at the ramp, with script ${javaScriptEnabled ? 'on' : 'off'}`, async () => {
    const [launch, due] = [local(-30), local(120)].map((at) => `${at.date}T${at.time}`);
    const trip = { ...TRIP, times: { launch, return_by: due } };
    trip.crew = [{ ...TRIP.crew[0], medical: 'Asthma-CANARY', beginner: false }, TRIP.crew[1]];
    const { json } = await lamp.api('/api/v1/plans', 'POST', trip);
    const page = await phone(lamp, { javaScriptEnabled });
    const mark = javaScriptEnabled ? 'script' : 'plain';
    await page.goto(json.links.crew);
    await page.getByRole('link', { name: 'Change the plan' }).click();
    assert.equal(await headline(page), 'Change the plan');
    await shot(page, `change-${mark}-1`);
    // As it came: a browser's own page is no longer what was sent.
    const text = await (await fetch(page.url(), { headers: { cookie: `shorelamp=${lamp.key.key}` } })).text();
    assert.ok(!text.includes('CANARY'));
    assert.deepEqual(await htmlFaults('change', text), []);
    // Nothing stands open but the times: what was filed is a line each.
    assert.equal(await page.locator('details.group[open]').count(), 0);

    await page.locator('summary', { hasText: 'Who goes' }).click();
    await page.locator('summary', { hasText: 'Paddler 3' }).click();
    await page.fill('#crew-3--name', 'Pia Lindqvist');
    await page.fill('#crew-3--age', 'young');
    await page.selectOption('#crew-3--lifejacket', 'worn');
    await page.locator('button[value=judge]').click();
    assert.match(await headline(page), /NOT CHANGED\. One thing to mend/);
    await page.locator('#mend a').click();
    assert.ok(await page.locator('#crew-3--age').isVisible(), 'what is wrong stands open');
    await shot(page, `change-${mark}-2`);
    await page.fill('#crew-3--age', '31');
    const [judged] = await Promise.all([
      page.waitForResponse((one) => one.request().method() === 'POST'), page.locator('button[value=judge]').click(),
    ]);
    assert.match(await headline(page), /NOT CHANGED yet/);
    await page.getByText('Now on this trip too: Pia Lindqvist.').waitFor();
    assert.deepEqual(await htmlFaults('judged', await judged.text()), []);
    if (javaScriptEnabled) {
      const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
      assert.ok(wide <= 0, `${wide} px too wide`);
      const found = await page.evaluate(`${AXE}; axe.run(document).then((it) => it.violations.map((one) => one.id + ': ' + one.nodes.map((at) => at.html.slice(0, 160)).join(' | ')))`);
      assert.deepEqual(found, []);
    }
    await shot(page, `change-${mark}-3`);
    assert.equal((await state(json.ref)).out.length, 2, 'nothing is changed yet');
    await page.locator('button[value=change]').first().dblclick();
    await page.getByText('Written down: the plan is changed.').waitFor();
    await shot(page, `change-${mark}-4`);
    assert.deepEqual((await state(json.ref)).out, ['Ines Halloran', 'Tomas Bright', 'Pia Lindqvist']);
    assert.deepEqual(page.faults, []);
    await page.context().close();
  });
}

const trip = () => {
  const [launch, due] = [local(-30), local(120)].map((at) => `${at.date}T${at.time}`);
  return { ...TRIP, times: { launch, return_by: due } };
};

const paddled = async (page) => {
  await page.locator('summary', { hasText: 'What you paddle' }).click();
  await page.locator('summary', { hasText: /^Craft/ }).first().click();
};

test('two change the same plan at once: the later is told, and loses nothing', async () => {
  const { json } = await lamp.api('/api/v1/plans', 'POST', trip());
  const [one, other] = [await phone(lamp), await phone(lamp)];
  for (const page of [one, other]) {
    await page.goto(json.links.crew + '/change');
    await paddled(page);
  }
  await one.fill('#craft-1--colours', 'yellow over blue');
  await one.locator('button[value=change]').first().click();
  await one.getByText('Written down: the plan is changed.').waitFor();
  await other.fill('#craft-1--colours', 'green all over');
  await other.locator('button[value=change]').first().click();
  assert.match(await headline(other), /NOT CHANGED/);
  assert.equal(await other.locator('#craft-1--colours').inputValue(), 'green all over', 'what was typed stays');
  assert.match(await other.locator('main').innerText(), /The plan now says: yellow over blue/i);
  await shot(other, 'change-conflict');
  await other.locator('button[value=change]').first().click();
  await other.getByText('Written down: the plan is changed.').waitFor();
  assert.deepEqual([...one.faults, ...other.faults], []);
  for (const page of [one, other]) await page.context().close();
});

test('a trip that closed meanwhile is changed no more, and says so', async () => {
  const { json } = await lamp.api('/api/v1/plans', 'POST', trip());
  const page = await phone(lamp);
  await page.goto(json.links.crew + '/change');
  const { status } = await fetch(json.links.checkin, { method: 'POST', headers: { 'content-type': 'application/json' }, body: '{}' });
  assert.equal(status, 200);
  await paddled(page);
  await page.fill('#craft-1--colours', 'green all over');
  await page.locator('button[value=change]').first().click();
  assert.match(await headline(page), /NOT CHANGED/);
  assert.equal((await state(json.ref)).state, 'closed');
  await shot(page, 'change-closed');
  await page.context().close();
});
