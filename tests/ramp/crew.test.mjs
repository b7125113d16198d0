// The crew's page in a browser: nothing is called done before the service has said so.
import test, { after, before } from 'node:test';
import assert from 'node:assert/strict';
import { Lamp, TRIP, hangUp, headline, local, phone, reads, tap } from './lamp.mjs';

let lamp;
before(async () => { lamp = await Lamp.lit(); });
after(async () => { await hangUp(); await lamp.end(); });
const shot = (page, name) => process.env.SHOTS && page.screenshot({ path: `${process.env.SHOTS}/${name}.png`, fullPage: false });

async function filed() {
  const [launch, due] = [local(-30), local(120)].map((at) => `${at.date}T${at.time}`);
  const answer = await lamp.api('/api/v1/plans', 'POST', { ...TRIP, times: { launch, return_by: due } });
  const page = await phone(lamp);
  await page.goto(answer.json.links.crew);
  return { page, ref: answer.json.ref };
}
const state = async (ref) => (await lamp.api('/api/v1/plans/' + ref)).json;

test('checked in with one touch, on the device that filed', async () => {
  const { page, ref } = await filed();
  await shot(page, 'crew');
  await tap(page, 'text=All of us are ashore');
  await reads(page, 'All ashore');
  assert.equal((await state(ref)).state, 'closed');
  await shot(page, 'crew-ashore');
  await page.context().close();
});

test('one ashore, the others not yet', async () => {
  const { page, ref } = await filed();
  await tap(page, 'summary:has-text("Not all ashore yet")');
  await page.locator('label.pick', { hasText: 'Tomas' }).first().click();
  await tap(page, 'text=These are ashore');
  await page.getByText('Still out: Ines Halloran. The watch goes on').waitFor();
  assert.deepEqual((await state(ref)).out, ['Ines Halloran']);
  await page.context().close();
});

test('without a signal it says that it is not done, and does it once', async () => {
  const { page, ref } = await filed();
  await page.context().setOffline(true);
  await tap(page, 'text=All of us are ashore');
  await reads(page, 'can\'t tell');
  await shot(page, 'crew-unknown');
  assert.equal((await state(ref)).state, 'armed');
  assert.ok(await page.locator('a[href^="sms:"]').isVisible());
  await page.context().setOffline(false);
  await reads(page, 'All ashore');
  assert.equal((await state(ref)).state, 'closed');
  await page.context().close();
});

test('a sign-in page is not taken for a check-in', async () => {
  const { page, ref } = await filed();
  await page.route('**/crew/*', (route) => (route.request().method() === 'POST'
    ? route.fulfill({ status: 200, contentType: 'text/html', body: 'Welcome' }) : route.continue()));
  await tap(page, 'text=All of us are ashore');
  await reads(page, 'can\'t tell');
  assert.equal((await state(ref)).state, 'armed');
  await page.context().close();
});

test('later, by a step, with what got worse; still out, here', async () => {
  const { page, ref } = await filed();
  const before = Date.parse((await state(ref)).due_at);
  await tap(page, 'summary:has-text("We need longer")');
  await page.locator('details[open] label.pick', { hasText: '2h later' }).click();
  await tap(page, 'text=Put the return time off');
  await page.getByText('Written down: back').first().waitFor();
  assert.ok(Date.parse((await state(ref)).due_at) > before);
  await tap(page, 'summary:has-text("Still out: say where")');
  await tap(page, '[data-here="still-place"]');
  await page.waitForFunction(() => document.querySelector('#still-place').value);
  await page.fill('#still-note', 'waiting for the tide');
  await tap(page, 'text=Still out: keep this');
  await page.getByText('Every letter from now on says where you were').waitFor();
  await page.context().close();
});
