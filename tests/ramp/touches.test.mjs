// How many touches and typed characters a plan takes, counted in the page itself.
import test, { after, before } from 'node:test';
import assert from 'node:assert/strict';
import { Lamp, TRIP, backOnline, hangUp, headline, local, phone, reads, reloadOffline, sleep, tap, write } from './lamp.mjs';

let lamp;
before(async () => { lamp = await Lamp.lit(); });
after(async () => { await hangUp(); await lamp.end(); });
const shot = (page, name) => process.env.SHOTS && page.screenshot({ path: `${process.env.SHOTS}/${name}.png` });

const counting = (page) => page.context().addInitScript(() => {
  const count = JSON.parse(sessionStorage.count || '{"touches":0,"typed":0}');
  const keep = () => { sessionStorage.count = JSON.stringify(count); };
  addEventListener('pointerdown', (event) => { if (event.isTrusted) count.touches += 1; keep(); }, true);
  addEventListener('beforeinput', (event) => { if (event.isTrusted) count.typed += (event.data || '').length; keep(); }, true);
});
const counted = (page) => page.evaluate(() => JSON.parse(sessionStorage.count || '{"touches":0,"typed":0}'));

// A usual trip, kept by touching the page of a filed plan.
async function keep() {
  const [launch, due] = [local(5), local(240)].map((at) => `${at.date}T${at.time}`);
  const filed = await lamp.api('/api/v1/plans', 'POST', { ...TRIP, times: { launch, return_by: due } });
  assert.equal(filed.status, 201, JSON.stringify(filed.json));
  const page = await phone(lamp);
  await page.goto(`${lamp.base}/filed/${filed.json.ref}`);
  await tap(page, 'text=Keep it as a usual trip');
  await page.getByText('It stands among your usual trips').waitFor();
  return page;
}

test('a repeat trip: at most 6 touches, nothing typed', async () => {
  const page = await keep();
  await counting(page);
  await page.goto(lamp.base + '/');
  await shot(page, 'trips');
  await tap(page, '#trips a:has-text("Halibut drift")');
  await page.locator('.glance li').first().waitFor();
  await tap(page, '[data-step="30"]');
  await tap(page, '[data-step="30"]');
  await page.locator('.glance li').first().waitFor();
  await sleep(1500);
  // The phone's clocks are those of Vancouver, the launch's those of Los Angeles: the launch's count.
  const back = await page.locator('#read').innerText();
  const told = await page.locator('#judged li').nth(1).innerText();
  const minutes = (text) => { const [, h, min] = /Back by.* in (\d+) h(?: (\d+) min)?/.exec(text); return h * 60 + +(min || 0); };
  assert.ok(Math.abs(minutes(told) - minutes(back)) <= 1, `${told} / ${back}`);
  await shot(page, 'chosen');
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  const { touches, typed } = await counted(page);
  console.log(`repeat trip: ${touches} touches, ${typed} characters`);
  assert.ok(touches <= 6, `${touches} touches`);
  assert.equal(typed, 0);
  assert.match(await page.locator('#state').innerText(), /Ines Halloran and Tomas Bright/);
  await page.context().close();
});

test('the usual crew from another place: at most 10 touches, nothing typed', async () => {
  const page = await keep();
  await counting(page);
  await page.context().setGeolocation({ latitude: 48.6, longitude: -123.2 });
  await page.goto(lamp.base + '/');
  await tap(page, '#trips a:has-text("Halibut drift")');
  await tap(page, 'summary:has-text("Where you go")');
  await tap(page, 'text=Another place');
  await page.waitForFunction(() => /^48\.6/.test(document.querySelector('#launch-position').value));
  for (const gone of ['waypoint[1].position', 'more_waypoints', 'launch.name', 'title']) {
    assert.equal(await page.locator(`[name="${gone}"]`).inputValue(), '', gone);
  }
  assert.equal(await page.inputValue('#crew-2--name'), 'Tomas Bright');
  await tap(page, '[data-step="30"]');
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  const { touches, typed } = await counted(page);
  console.log(`another place: ${touches} touches, ${typed} characters`);
  assert.ok(touches <= 10, `${touches} touches`);
  assert.equal(typed, 0);
  await page.context().close();
});

test('whoever keeps no usual trip types the same people once', async () => {
  const page = await phone(null);
  await page.goto(lamp.newKey('Pell Marsh').link);
  assert.equal(await page.locator('text=As last time').count(), 0, 'there was none');
  await write(page);
  await page.evaluate(() => { document.querySelector('#craft-1--colours').value = 'red over white'; });
  await page.fill('#crew-1--medical', 'Asthma');
  await page.setChecked('#keep', true);
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  await tap(page, 'text=Write another plan');
  await tap(page, 'text=As last time');
  for (const [field, value] of [['crew-1--name', 'Ines Halloran'], ['crew-1--medical', 'Asthma'], ['craft-1--colours', 'red over white'],
    ['contact-1--email', 'dunstan@example.org'], ['launch-position', '48.5420 -123.1620']]) {
    assert.equal(await page.inputValue('#' + field), value, field);
  }
  assert.match(await page.locator('#read').innerText(), /in 3 h/);
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  await page.context().close();
});

test('a repeat trip without any signal: chosen, kept, and filed when there is one', async () => {
  const page = await keep();
  await page.goto(lamp.base + '/');
  await page.evaluate(() => navigator.serviceWorker.ready);
  await page.waitForFunction(async () => !!(await caches.match('/')));
  await page.reload();
  await page.context().setOffline(true);
  await reloadOffline(page);
  await tap(page, '#trips a:has-text("Halibut drift")');
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /Kept on this phone only/.test(document.querySelector('#state').innerText));
  await backOnline(page);
  await reads(page, 'Back by');
  await page.context().close();
});

test('a first plan: at most 25 touches and 120 characters', async () => {
  const page = await phone(null);
  await counting(page);
  await page.goto(lamp.key.link);
  const type = async (field, text) => {
    await sleep(100);
    await page.locator(field).click();
    await page.keyboard.type(text);
  };
  await tap(page, '[data-step="120"]');
  await tap(page, 'text=Where this phone is now');
  await page.waitForFunction(() => document.querySelector('#launch-position').value);
  await type('#crew-1--name', 'Ines Halloran');
  await type('#crew-1--phone', '360 555 0142');
  await type('#contact-1--name', 'Dunstan Okafor');
  await type('#contact-1--email', 'dunstan@example.org');
  await type('#contact-1--phone', '360 555 0117');
  await page.locator('.glance li').first().waitFor();
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  const { touches, typed } = await counted(page);
  console.log(`first plan: ${touches} touches, ${typed} characters`);
  assert.ok(touches <= 25, `${touches} touches`);
  assert.ok(typed > 40 && typed <= 120, `${typed} characters`);
  await page.context().close();
});

test('a GPX file fills the route in; a photo gets a clear answer', async () => {
  const page = await phone(lamp);
  await page.locator('summary', { hasText: 'Where you go' }).click();
  await page.waitForFunction(() => self.routeTools);
  await sleep(500);
  const said = () => page.locator('#gpx-said').innerText();
  await page.setInputFiles('#gpx', { name: 'IMG_0042.gpx', mimeType: 'image/jpeg', buffer: Buffer.alloc(9_000_000, 0xff) });
  await page.waitForFunction(() => /photo/.test(document.querySelector('#gpx-said').innerText));
  assert.match(await said(), /9 MB.*is no GPX file\. Is it a photo\? Nothing was changed/);
  for (const [name, text, why] of [
    ['empty.gpx', '<gpx></gpx>', /no route or track/],
    ['far.gpx', '<gpx><rte><rtept lat="948.5" lon="0"/><rtept lat="1" lon="1"/></rte></gpx>', /nowhere on earth/],
    ['bad.gpx', '<!DOCTYPE gpx [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><gpx><rte><rtept lat="&b;" lon="0"/><rtept lat="1" lon="1"/></rte>', /Nothing was changed/],
  ]) {
    await page.setInputFiles('#gpx', { name, mimeType: 'application/gpx+xml', buffer: Buffer.from(text) });
    await page.waitForFunction((file) => document.querySelector('#gpx-said').innerText.includes(file), name);
    assert.match(await said(), why);
    assert.equal(await page.inputValue('#launch-position'), '');
  }
  const points = Array.from({ length: 3000 }, (_, i) => `<trkpt lat="${(48.542 + i * 1e-5).toFixed(6)}" lon="${(-123.162 - Math.sin(i / 200) * 0.01).toFixed(6)}"><ele>0</ele></trkpt>`);
  await page.setInputFiles('#gpx', { name: 'track.gpx', mimeType: '', buffer: Buffer.from(`<?xml version="1.0"?><gpx xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>${points.join('')}</trkseg></trk></gpx>`) });
  await page.waitForFunction(() => /3000 points read/.test(document.querySelector('#gpx-said').innerText));
  assert.equal(await page.inputValue('#launch-position'), '48.54200 -123.16200');
  const lines = (await page.inputValue('#more-waypoints')).split('\n');
  assert.ok(lines.length > 8 && lines.length <= 40, `${lines.length} points`);
  assert.equal(await headline(page), 'NOT FILED');
  await page.context().close();
});

test('a route tapped on the chart: added, moved, taken out, undone', async () => {
  const page = await phone(lamp);
  await page.locator('details.group', { hasText: 'Who ashore' }).waitFor();
  await page.fill('#crew-1--name', 'Ines Halloran');
  await page.fill('#contact-1--name', 'Dunstan Okafor');
  await page.fill('#contact-1--email', 'dunstan@example.org');
  await page.fill('#launch-position', '48.5420 -123.1620');
  await tap(page, 'summary:has-text("Where you go")');
  await tap(page, 'text=Tap the route on the chart');
  const drawing = page.locator('.tap svg');
  await drawing.waitFor();
  const lines = async () => (await page.inputValue('#more-waypoints')).split('\n').filter(Boolean);
  await drawing.scrollIntoViewIfNeeded();
  const box = await drawing.boundingBox();
  await drawing.click({ position: { x: box.width * 0.3, y: box.height * 0.5 } });
  await drawing.click({ position: { x: box.width * 0.3, y: box.height * 0.2 } });
  const [first, second] = await lines();
  const [lat, lon] = first.split(' ').map(Number);
  // The middle of the sheet is the launch; what is tapped level with it lies level with it.
  assert.ok(Math.abs(lat - 48.542) < 0.003, first);
  assert.ok(lon < -123.165 && Math.abs(Number(second.split(' ')[1]) - lon) < 0.001, second);
  assert.ok(Number(second.split(' ')[0]) > lat);
  await page.waitForFunction(() => /2 points.*km long/.test(document.querySelector('.chart.tap').previousElementSibling.innerText), undefined, { timeout: 8000 });
  if (process.env.SHOTS) await page.screenshot({ path: `${process.env.SHOTS}/route.png` });
  await tap(page, 'text=North');
  assert.ok(Number((await lines())[1].split(' ')[0]) > Number(second.split(' ')[0]));
  await tap(page, 'text=Undo');
  assert.deepEqual(await lines(), [first, second]);
  await tap(page, 'text=Take it out');
  assert.deepEqual(await lines(), [first]);
  await page.context().close();
});

// What the stores of this phone hold, as one text.
const stores = (page) => page.evaluate(async () => JSON.stringify({ ...localStorage }) + await new Promise((done, failed) => {
  indexedDB.open('shorelamp').onsuccess = ({ target }) => {
    const all = target.result.transaction('kept').objectStore('kept').getAll();
    all.onsuccess = () => { target.result.close(); done(JSON.stringify(all.result)); };
    all.onerror = () => failed(all.error);
  };
}));

test('what is medical stays on the phone only if somebody ticks so, and can be forgotten', async () => {
  const page = await phone(null);
  await page.goto(lamp.newKey('Maren Tollefsby').link);
  const again = async (keep) => {
    if (keep) {
      await reads(page, 'Back by');
      await tap(page, 'text=Write another plan');
      await tap(page, 'text=As last time');
      await tap(page, 'summary:has-text("Who goes")');
      assert.equal(await page.inputValue('#crew-1--medical'), '', 'nobody ticked');
    } else await write(page);
    await page.fill('#crew-1--medical', 'Asthma & "bees"');
    await page.setChecked('#keep', keep);
    await tap(page, 'button[value=file]');
    await reads(page, 'Back by');
  };
  assert.equal(await page.isChecked('#keep'), false, 'nobody was asked yet');
  await again(false);
  assert.match(await stores(page), /Ines%20Halloran|Ines\+Halloran/);
  assert.doesNotMatch(await stores(page), /asthma|bees|medical/i);
  await page.goto(lamp.base + '/phone');
  await page.getByText('for "As last time"').waitFor();
  assert.doesNotMatch(await page.locator('#kept').innerText(), /Medical notes of/);
  await page.goto(lamp.base + '/');
  await again(true);
  assert.match(await stores(page), /Asthma/);
  await page.goto(lamp.base + '/phone');
  await page.getByText('Medical notes of Ines Halloran').waitFor();
  assert.match(await page.locator('#kept').innerText(), /Stays: Plan \w{4}-\w{4}, which is watched/);
  await shot(page, 'phone');
  await tap(page, '#forget');
  await page.getByText('Forgotten, but for what stands above').waitFor();
  assert.doesNotMatch(await page.locator('#kept').innerText(), /medical/i);
  assert.doesNotMatch(await stores(page), /asthma/i);
  // What is watched is still shown, and nothing else comes back.
  await page.goto(lamp.base + '/');
  await reads(page, 'Back by');
  await tap(page, 'text=Write another plan');
  await page.waitForFunction(() => document.querySelector('#state h1').innerText === 'NOT FILED');
  assert.equal(await page.locator('text=As last time').count(), 0);
  assert.equal(await page.isChecked('#keep'), false);
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('a review that comes after FILED brings nothing back to the phone', async () => {
  const page = await phone(null);
  await page.goto(lamp.newKey('Maren Tollefsby').link);
  const elsewhere = async (route) => {
    const answer = await route.fetch();
    await route.fulfill({ response: answer, json: { ...await answer.json(), zone: 'Atlantic/Azores' } });
    return answer.ok();
  };
  let moved = false, late;
  const held = new Promise((done) => { late = done; });
  await page.route('**/api/v1/judge', async (route) => {
    if (route.request().postData().includes('medical')) late(route);
    else if (moved) await route.continue();
    else moved = await elsewhere(route);
  });
  // While it is written the clocks of another zone are named, and then those of the launch again.
  await write(page);
  await page.waitForFunction(() => /GMT/.test(document.querySelector('#read').innerText));
  await page.waitForFunction(() => /PDT|PST/.test(document.querySelector('#read').innerText));
  await page.fill('#crew-1--medical', 'Asthma');
  const route = await held;
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  assert.doesNotMatch(await stores(page), /asthma/i);
  await elsewhere(route);
  await sleep(500);
  assert.doesNotMatch(await stores(page), /asthma/i);
  assert.equal(await page.evaluate(() => localStorage.getItem('draft')), null);
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('a browser that sends the form by itself keeps what was typed until it is sent, and nothing of health', async () => {
  const page = await phone(null);
  // As browsers from before 2022, and every one on a page without TLS.
  await page.addInitScript(() => { delete Crypto.prototype.randomUUID; });
  await page.goto(lamp.newKey('Maren Tollefsby').link);
  await write(page);
  await page.fill('#crew-1--medical', 'Asthma');
  await page.route('**/file', (route) => route.abort('connectionreset'), { times: 1 });
  await tap(page, 'button[value=file]');
  await page.waitForURL('chrome-error:**');
  await page.goto(lamp.base + '/');
  assert.equal(await page.inputValue('#crew-1--name'), 'Ines Halloran', 'what was typed is not lost');
  assert.equal(await page.inputValue('#launch-position'), '48.5420 -123.1620');
  assert.doesNotMatch(await stores(page), /asthma/i);
  await page.fill('#crew-1--medical', 'Asthma');
  await tap(page, 'button[value=file]');
  await page.waitForURL('**/filed/*');
  assert.match(await headline(page), /^FILED/);
  assert.doesNotMatch(await stores(page), /asthma/i);
  await page.goto(lamp.base + '/');
  assert.equal(await page.inputValue('#crew-1--medical'), '');
  assert.deepEqual(page.faults, []);
  await page.context().close();
});

test('what an older page kept of anybody\'s health is not used again', async () => {
  const page = await phone(null);
  await page.goto(lamp.newKey('Pell Marsh').link);
  await page.evaluate(() => localStorage.setItem('last', 'crew%5B1%5D.name=Ines&crew%5B1%5D.medical=Asthma&crew%5B1%5D.phone=%2B1+360+555+0142'));
  await page.reload();
  // The button comes once what was kept has been looked through.
  await page.locator('text=As last time').waitFor();
  assert.doesNotMatch(await stores(page), /asthma/i);
  await tap(page, 'text=As last time');
  assert.equal(await page.inputValue('#crew-1--medical'), '');
  assert.equal(await page.inputValue('#crew-1--phone'), '+1 360 555 0142');
  await page.context().close();
});

test('forgetting never loses a plan that was not sent', async () => {
  const page = await phone(null);
  await page.goto(lamp.newKey('Tomas Bright').link);
  await write(page);
  await page.fill('#crew-1--medical', 'Asthma');
  await page.setChecked('#keep', true);
  const phoneOnly = await page.context().newPage();
  await phoneOnly.goto(lamp.base + '/phone');
  await page.context().setOffline(true);
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /Kept on this phone only/.test(document.querySelector('#state').innerText));
  const before = await page.evaluate(() => localStorage.getItem('plan'));
  // Opened before, so that it tells what is so when it is touched.
  await phoneOnly.evaluate(() => { document.querySelector('#forget').hidden = false; });
  await tap(phoneOnly, '#forget');
  await phoneOnly.getByText('Forgotten, but for').waitFor();
  assert.match(await phoneOnly.locator('#kept').innerText(), /Stays: A plan that this page has not seen filed/);
  assert.equal(await page.evaluate(() => localStorage.getItem('plan')), before);
  assert.equal((await stores(page)).split('Asthma').length, 3, 'in both copies of the plan, and nowhere else');
  await page.context().setOffline(false);
  await reads(page, 'Back by');
  await page.context().close();
});
