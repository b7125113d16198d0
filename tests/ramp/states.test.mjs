// What the page says of a plan, whatever the network does: FILED only when the service has it.
import test, { after, before } from 'node:test';
import assert from 'node:assert/strict';
import { Lamp, backOnline, hangUp, headline, local, phone, reads, reloadOffline, sleep, tap, write } from './lamp.mjs';

const FILINGS = '**/api/v1/filings/*';
let lamp;
before(async () => { lamp = await Lamp.lit(); });
after(async () => { await hangUp(); await lamp.end(); });

async function written(more) {
  const page = await phone(lamp, more);
  await write(page);
  return page;
}
// A phone whose clock the test sets: from before the page is there, so that all its timers go by it.
async function clocked() {
  const page = await phone(null);
  await page.clock.install({ time: Date.now() });
  await page.goto(lamp.key.link);
  return page;
}
const count = async () => {
  const keeper = lamp.keeper ||= lamp.newKey('Pell Marsh', '--keeper');
  const answer = await fetch(`${lamp.base}/api/v1/plans`, { headers: { authorization: `Bearer ${keeper.key}` } });
  return (await answer.json()).plans.length;
};
// Every state is seen in a picture, when somebody asks for them.
const shot = (page, name) => process.env.SHOTS && page.screenshot({ path: `${process.env.SHOTS}/${name}.png` });
const end = async (page) => { assert.deepEqual(page.faults, []); await page.context().close(); };
const watch = (page) => page.evaluate(() => {
  self.said = [];
  new MutationObserver(() => self.said.push(document.querySelector('#state h1').innerText)).observe(document.querySelector('#state'), { childList: true });
});
const said = (page) => page.evaluate(() => self.said);

test('filed: the banner goes from not filed to what the receipt says', async () => {
  const page = await written();
  assert.match(await headline(page), /^NOT FILED$/);
  await shot(page, 'draft');
  await watch(page);
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  const [first, ...rest] = [...new Set(await said(page))];
  assert.match(first, /NOT FILED/);
  assert.ok(rest.every((one) => /NOT FILED|^FILED \d\d:\d\d/.test(one)), rest.join(' | '));
  assert.match(await page.title(), /^FILED/);
  await shot(page, 'filed');
  await reads(page, 'FILED');
  await page.reload();
  await reads(page, 'FILED');
  await end(page);
});

test('offline: kept in both stores, tried again by itself, filed once', async () => {
  const page = await written();
  const before = await count();
  await page.context().setOffline(true);
  await tap(page, 'button[value=file]');
  await reads(page, 'NOT FILED');
  const text = await page.locator('#state').innerText();
  assert.match(text, /Kept on this phone only\. Nobody will look for you\./);
  assert.match(text, /no signal/);
  assert.match(await page.title(), /^NOT FILED/);
  for (const way of ['Text this plan', 'Throw this plan away', 'Try now', 'Change it']) {
    assert.ok(await page.getByText(way).first().isVisible(), way);
  }
  const sms = await page.locator('a[href^="sms:"]').getAttribute('href');
  assert.match(decodeURIComponent(sms), /Ines Halloran.*48\.5420 -123\.1620.*NOT filed/);
  await shot(page, 'kept');
  const [one, other] = await page.evaluate(() => Promise.all([localStorage.getItem('plan'), new Promise((done) => {
    indexedDB.open('shorelamp').onsuccess = ({ target }) => {
      target.result.transaction('kept').objectStore('kept').get('plan').onsuccess = (got) => done(got.target.result);
    };
  })]));
  assert.ok(one && one === other, 'both stores hold the same');
  await page.context().setOffline(false);
  await reads(page, 'FILED ');
  await reads(page, 'Back by');
  assert.equal(await count(), before + 1);
  await end(page);
});

test('without a store it says that it keeps nothing', async () => {
  const page = await written();
  await page.context().setOffline(true);
  await page.evaluate(() => { IDBObjectStore.prototype.put = () => { throw new Error('full'); }; });
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /can't keep it/.test(document.querySelector('#state').innerText));
  await end(page);
});

test('offline from the start: the worker serves the page, and no plan', async () => {
  const page = await phone(lamp);
  await page.evaluate(() => navigator.serviceWorker.ready);
  await page.waitForFunction(async () => (await caches.keys()).length > 0 && !!(await caches.match('/')));
  await page.reload();
  await page.context().setOffline(true);
  await reloadOffline(page);
  assert.equal(await headline(page), 'NOT FILED');
  await write(page);
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /Kept on this phone only/.test(document.querySelector('#state').innerText));
  await reloadOffline(page);
  await page.waitForFunction(() => /Kept on this phone only/.test(document.querySelector('#state').innerText));
  await backOnline(page);
  await reads(page, 'Back by');
  await end(page);
});

test('a service that is dead: it can\'t tell, and files once it is back', async () => {
  const page = await written();
  const before = await count();
  await lamp.kill();
  await tap(page, 'button[value=file]');
  await reads(page, 'can\'t tell');
  await shot(page, 'unknown');
  assert.doesNotMatch(await headline(page), /FILED \d/);
  await lamp.start();
  await reads(page, 'Back by', 30e3);
  assert.equal(await count(), before + 1);
  await end(page);
});

for (const [name, answer] of [
  ['a sign-in page that says 200', { status: 200, contentType: 'text/html', body: '<h1>Welcome to the cafe</h1>' }],
  ['a sign-in page that sends on', { status: 302, headers: { location: '/no/such/page' }, body: '' }],
  ['JSON of somebody else', { status: 200, contentType: 'application/json', body: '{"ok":true}' }],
  ['a receipt of another plan', { status: 200, contentType: 'application/json', body: '{"id":"x","ref":"AAAA-BBBB","due_at":"2026-01-01","received_at":"2026-01-01","sha256":"0"}' }],
]) {
  test(`${name} is never taken for the receipt`, async () => {
    const page = await written();
    const before = await count();
    await page.route(FILINGS, (route) => route.fulfill(answer));
    await watch(page);
    await tap(page, 'button[value=file]');
    await reads(page, 'can\'t tell');
    if (answer.contentType === 'text/html') {
      assert.match(await page.locator('#state').innerText(), /sign-in page/);
      await shot(page, 'portal');
    }
    assert.ok((await said(page)).every((one) => !/^FILED/.test(one)));
    assert.equal(await count(), before);
    await page.unroute(FILINGS);
    await tap(page, 'text=Try now');
    await reads(page, 'Back by');
    assert.equal(await count(), before + 1);
    await end(page);
  });
}

test('a receipt with another hash is not believed', async () => {
  const page = await written();
  await page.route(FILINGS, async (route) => {
    if (route.request().method() !== 'PUT') return route.continue();
    const answer = await route.fetch();
    const json = await answer.json();
    return route.fulfill({ response: answer, json: { ...json, sha256: json.sha256.replace(/./, (c) => (c === '0' ? '1' : '0')) } });
  });
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /tell/.test(document.querySelector('#state').innerText));
  assert.doesNotMatch(await headline(page), /^FILED/);
  await end(page);
});

test('an answer that breaks off after the plan was stored: looked up, not sent twice', async () => {
  const page = await written();
  const before = await count();
  let puts = 0;
  await page.route(FILINGS, async (route) => {
    if (route.request().method() !== 'PUT') return route.continue();
    puts += 1;
    await route.fetch();
    return route.abort('connectionreset');
  });
  await watch(page);
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  assert.ok((await said(page)).some((one) => /can't tell/.test(one)));
  assert.equal(puts, 1, 'looked up, and found');
  assert.equal(await count(), before + 1);
  await end(page);
});

test('a late answer: given up after 20 s, looked up', async () => {
  const page = await written();
  const before = await count();
  await page.route(FILINGS, async (route) => {
    if (route.request().method() !== 'PUT') return route.continue();
    const answer = await route.fetch();
    await sleep(22e3);
    return route.fulfill({ response: answer }).catch(() => {});
  });
  await tap(page, 'button[value=file]');
  await sleep(1000);
  assert.match(await headline(page), /NOT FILED yet/);
  await shot(page, 'trying');
  const text = page.getByRole('link', { name: 'Text this plan' });
  assert.equal(await text.count(), 0, 'at first it is only sent');
  await text.waitFor({ timeout: 9e3 });
  assert.match(await headline(page), /NOT FILED yet. Sending/);
  assert.match(await text.getAttribute('href'), /^sms:.*Ines%20Halloran/);
  assert.equal(await page.locator('text=Throw this plan away').count(), 0, 'it is under way');
  await shot(page, 'slow');
  await reads(page, 'Back by', 40e3);
  assert.equal(await text.count(), 0);
  assert.equal(await count(), before + 1);
  await end(page);
});

test('thrown away for good: a copy that arrives later is not filed', async () => {
  const page = await written();
  const before = await count();
  await page.context().setOffline(true);
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /Kept/.test(document.querySelector('#state').innerText));
  const kept = JSON.parse(await page.evaluate(() => localStorage.getItem('plan')));
  await tap(page, 'text=Throw this plan away');
  await reads(page, 'NOT FILED');
  await page.context().setOffline(false);
  await page.waitForFunction(() => !localStorage.getItem('thrown'));
  const late = await page.evaluate(async ({ id, body }) => (await fetch('/api/v1/filings/' + id, {
    method: 'PUT', body, headers: { 'content-type': 'application/x-www-form-urlencoded' },
  })).status, kept);
  assert.equal(late, 410);
  assert.equal(await count(), before);
  await end(page);
});

for (const [name, way] of [['thrown away', 'Throw this plan away'], ['to be changed', 'Change it']]) {
  test(`${name}, but it had arrived: it says that it is watched, and keeps nothing of health`, async () => {
    const page = await written();
    await page.fill('#crew-1--medical', 'Asthma');
    await page.route(FILINGS, async (route) => {
      if (route.request().method() === 'PUT') await route.fetch();
      return route.request().method() === 'DELETE' ? route.continue() : route.abort('connectionreset');
    });
    await tap(page, 'button[value=file]');
    await reads(page, 'can\'t tell');
    await tap(page, `text=${way}`);
    await reads(page, 'FILED ');
    assert.match(await page.locator('#state').innerText(), /it is watched/);
    assert.equal(await page.evaluate(() => localStorage.getItem('draft')), null);
    await shot(page, 'risen');
    await end(page);
  });
}

test('changed after it could not be told: the first is gone, the second is filed', async () => {
  const page = await written();
  const before = await count();
  await page.context().setOffline(true);
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /Kept/.test(document.querySelector('#state').innerText));
  await tap(page, 'text=Change it');
  assert.equal(await page.inputValue('#crew-1--name'), 'Ines Halloran', 'nothing typed is lost');
  await page.fill('#crew-1--name', 'Ines M. Halloran');
  await page.context().setOffline(false);
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  assert.equal(await count(), before + 1);
  await end(page);
});

test('past its time: never sent', async () => {
  const page = await clocked();
  await write(page);
  await page.context().setOffline(true);
  await sleep(800);
  await page.locator('button[value=file]').click();
  await page.waitForFunction(() => /Kept/.test(document.querySelector('#state').innerText));
  await page.clock.setSystemTime(Date.now() + 90 * 60e3);
  await page.clock.runFor(31e3);
  await page.waitForFunction(() => /Is it still true/.test(document.querySelector('#state').innerText));
  assert.match(await page.locator('#state').innerText(), /Nobody will look for you/);
  assert.ok(await page.getByText('It is still true: send it').isVisible());
  await shot(page, 'stale');
  await page.clock.setSystemTime(Date.now() + 5 * 3600e3);
  await page.clock.runFor(31e3);
  await page.waitForFunction(() => /its return time has passed/.test(document.querySelector('#state').innerText));
  await shot(page, 'past');
  await end(page);
});

test('past its time, but it may have arrived: looked up, and never called unfiled', async () => {
  const page = await clocked();
  await write(page);
  let puts = 0;
  await page.route(FILINGS, async (route) => {
    if (route.request().method() === 'PUT') { puts += 1; await route.fetch(); }
    return route.abort('connectionreset');
  });
  await sleep(800);
  await page.locator('button[value=file]').click();
  await reads(page, 'can\'t tell');
  await page.clock.setSystemTime(Date.now() + 6 * 3600e3);
  await page.clock.runFor(31e3);
  await reads(page, 'can\'t tell whether it arrived, and its return time has passed');
  assert.doesNotMatch(await page.locator('#state').innerText(), /NOT FILED|nobody watches/i);
  await shot(page, 'past-unknown');
  await page.unroute(FILINGS);
  for (let tries = 0; tries < 8 && !/^FILED/.test(await headline(page)); tries += 1) {
    await page.clock.runFor(61e3);
    await sleep(500);
  }
  await reads(page, 'FILED ');
  assert.equal(puts, 1, 'looked up, and never sent again');
  await end(page);
});

test('a launch that has passed is told as late', async () => {
  const page = await written();
  const at = local(-90);
  await page.fill('#times-launch', at.date);
  await page.fill('#times-launch-time', at.time);
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  assert.match(await page.locator('#state').innerText(), /reached us 1 h 3\d min after your launch/);
  await end(page);
});

test('a phone whose clock is wrong says so', async () => {
  const page = await phone(null);
  await page.clock.install({ time: Date.now() + 12 * 60e3 });
  await page.goto(lamp.key.link);
  await page.clock.runFor(1000);
  await page.locator('#clock').waitFor();
  assert.match(await page.locator('#clock').innerText(), /This phone's clock is 1[12] min ahead of the service's/);
  await shot(page, 'clock');
  await end(page);
});

test('a phone that slept while it waited for an answer takes no time from it', async () => {
  const page = await phone(null);
  await page.clock.install({ time: Date.now() });
  let asked, answer;
  const waits = new Promise((done) => { asked = done; });
  await page.route('**/healthz', async (route) => {
    asked();
    await new Promise((done) => { answer = done; });
    return route.continue();
  });
  await page.goto(lamp.key.link);
  await waits;
  // Asleep for four hours; the answer was on its way all the time.
  await page.clock.setSystemTime(Date.now() + 4 * 3600e3);
  const heard = page.waitForResponse('**/healthz');
  answer();
  await (await heard).finished();
  await page.clock.runFor(1000);
  assert.ok(await page.locator('#clock').isHidden());
  await end(page);
});

test('two windows: the plan goes once, and both say the same', async () => {
  const page = await written();
  const before = await count();
  const other = await page.context().newPage();
  await page.context().setOffline(true);
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /Kept/.test(document.querySelector('#state').innerText));
  await page.context().setOffline(false);
  await other.goto(lamp.base + '/');
  await Promise.all([reads(page, 'Back by'), reads(other, 'Back by')]);
  assert.equal(await count(), before + 1);
  await end(page);
});

test('back and reload: the state stays, what was typed stays', async () => {
  const page = await written();
  await page.reload();
  assert.equal(await page.inputValue('#crew-1--name'), 'Ines Halloran');
  await tap(page, 'button[value=file]');
  await reads(page, 'Back by');
  await tap(page, 'text=Check in, extend');
  await page.waitForURL('**/crew/*');
  await page.goBack();
  await reads(page, 'FILED');
  await end(page);
});

test('a double tap is one tap', async () => {
  const page = await written();
  const before = await count();
  await sleep(800);
  await page.locator('button[value=file]').dblclick({ delay: 20 });
  await reads(page, 'Back by');
  assert.equal(await count(), before + 1);
  await end(page);
});

test('every fault at once beside its field, what was typed kept', async () => {
  const page = await phone(lamp);
  await page.fill('#crew-1--name', 'x'.repeat(10_000));
  await page.fill('#contact-1--email', 'dunstan@');
  await page.fill('#launch-position', 'the ramp');
  await tap(page, 'button[value=file]');
  await page.locator('#mend li').first().waitFor();
  const wrong = await page.locator('#mend li').allInnerTexts();
  assert.ok(wrong.length >= 3, wrong.join(' | '));
  assert.match(await headline(page), /NOT FILED/);
  assert.equal(await page.inputValue('#launch-position'), 'the ramp');
  assert.equal((await page.inputValue('#crew-1--name')).length, 10_000);
  assert.ok(await page.locator('#launch-position').evaluate((at) => at.closest('label').previousElementSibling.className === 'fault'));
  await shot(page, 'faults');
  await end(page);
});

test('a key that is no longer in force', async () => {
  const page = await written();
  await page.context().clearCookies();
  await tap(page, 'button[value=file]');
  await page.waitForFunction(() => /no key that is in force/.test(document.querySelector('#state').innerText));
  assert.match(await headline(page), /NOT FILED/);
  await end(page);
});
