// The built program on a free port of loopback, and a telephone to open its pages with.
import { spawn, execFileSync } from 'node:child_process';
import { mkdtempSync, rmSync, writeFileSync } from 'node:fs';
import net from 'node:net';
import os from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';
import { chromium } from 'playwright-core';

const ROOT = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../..');
const BIN = process.env.SHORELAMP_BIN || path.join(ROOT, 'target/debug/shorelamp');
const CHROMIUM = process.env.CHROMIUM || '/usr/bin/chromium';
export const sleep = (ms) => new Promise((done) => { setTimeout(done, ms); });

const freePort = () => new Promise((done) => {
  const probe = net.createServer().listen(0, '127.0.0.1', () => {
    const { port } = probe.address();
    probe.close(() => done(port));
  });
});

// The service; all people and places are invented.
export class Lamp {
  static async lit() {
    const lamp = new Lamp();
    lamp.folder = mkdtempSync(path.join(os.tmpdir(), 'ramp-'));
    lamp.port = await freePort();
    lamp.base = `http://127.0.0.1:${lamp.port}`;
    lamp.settings = path.join(lamp.folder, 'shorelamp.toml');
    writeFileSync(lamp.settings, `
[service]
name = "Invented Paddling Club"
keeper_email = "keeper@example.org"
listen = "127.0.0.1:${lamp.port}"
base_url = "${lamp.base}"
data_dir = "data"

[[rescue]]
name = "the coast guard"
phone = "+1 206 555 0120"
short_code = "911"
within = { position = "48.5 -123.1", radius = "80km" }

[mail]
folder = "letters"

[shoreline]
files = ["${ROOT}/demo-data/shoreline.geojson"]

[water]
nearby = false

[limits]
filings_per_key_per_hour = 1000
filings_per_address_per_day = 1000
`);
    await lamp.start();
    lamp.key = lamp.newKey('Ines Halloran');
    return lamp;
  }

  async start() {
    this.process = spawn(BIN, ['--config', this.settings, 'serve'], { cwd: this.folder, stdio: ['ignore', 'pipe', 'pipe'] });
    this.log = '';
    for (const out of [this.process.stdout, this.process.stderr]) out.on('data', (text) => { this.log += text; });
    for (let tries = 0; tries < 300; tries += 1) {
      try {
        if ((await fetch(`${this.base}/healthz`)).ok) return;
      } catch { /* not yet */ }
      await sleep(100);
    }
    throw new Error(`the service does not get ready:\n${this.log}`);
  }

  newKey(name, ...more) {
    const text = execFileSync(BIN, ['--config', this.settings, 'key', 'add', name, ...more, '--json'], { cwd: this.folder });
    return JSON.parse(text);
  }

  async kill() {
    const ended = new Promise((done) => { this.process.once('exit', done); });
    this.process.kill('SIGKILL');
    await ended;
  }

  async api(where, method = 'GET', body = undefined) {
    const headers = { authorization: `Bearer ${this.key.key}` };
    if (body) headers['content-type'] = 'application/json';
    const answer = await fetch(this.base + where, { method, headers, body: body && JSON.stringify(body) });
    return { status: answer.status, json: await answer.json() };
  }

  async end() {
    await this.kill();
    rmSync(this.folder, { recursive: true, force: true });
  }
}

let browser;
export async function phone(lamp, more = {}) {
  browser ||= await chromium.launch({ executablePath: CHROMIUM, args: ['--no-sandbox', '--disable-dev-shm-usage'] });
  const context = await browser.newContext({
    viewport: { width: 390, height: 844 }, hasTouch: true, isMobile: true, locale: 'en-GB',
    timezoneId: 'America/Vancouver', permissions: ['geolocation'],
    geolocation: { latitude: 48.542, longitude: -123.162 }, ...more,
  });
  const page = await context.newPage();
  page.faults = [];
  page.on('pageerror', (error) => page.faults.push(String(error)));
  page.on('console', (said) => { if (/Content Security Policy|Refused/.test(said.text())) page.faults.push(said.text()); });
  if (lamp) await page.goto(lamp.key.link);
  return page;
}
export async function hangUp() {
  if (browser) await browser.close();
  browser = undefined;
}

const two = (n) => String(n).padStart(2, '0');
// A time so many minutes from now on the clocks of the launch (America/Los_Angeles).
export function local(min) {
  const parts = new Intl.DateTimeFormat('en-CA', {
    timeZone: 'America/Los_Angeles', year: 'numeric', month: '2-digit', day: '2-digit', hour: '2-digit', minute: '2-digit', hour12: false,
  }).formatToParts(new Date(Date.now() + min * 60e3));
  const of = (type) => parts.find((one) => one.type === type).value;
  return { date: `${of('year')}-${of('month')}-${of('day')}`, time: `${two(of('hour') % 24)}:${of('minute')}` };
}

export const TRIP = {
  title: 'Halibut drift',
  launch: { position: '48.5420 -123.1620', name: 'Gravel ramp' },
  waypoint: [{ name: 'Kelp edge', position: '48.5500 -123.2000', stay: '1h' }],
  crew: [{ name: 'Ines Halloran', phone: '+1 360 555 0142', lifejacket: 'worn' }, { name: 'Tomas Bright' }],
  contact: [{ name: 'Dunstan Okafor', email: 'dunstan@example.org' }],
  craft: [{ kind: 'Sea kayak', colours: 'red over white' }],
};

// Types a first plan into an open page.
export async function write(page, min = 240) {
  await page.fill('#crew-1--name', 'Ines Halloran');
  await page.fill('#contact-1--name', 'Dunstan Okafor');
  await page.fill('#contact-1--email', 'dunstan@example.org');
  await page.fill('#launch-position', '48.5420 -123.1620');
  const [launch, due] = [local(5), local(min)];
  await page.fill('#times-launch', launch.date);
  await page.fill('#times-launch-time', launch.time);
  await page.fill('#times-return-by', due.date);
  await page.fill('#times-return-by-time', due.time);
}
// A finger: what comes within 700 ms of a tap is none.
export async function tap(page, what) {
  await sleep(750);
  await page.locator(what).first().click();
}
export const headline = (page) => page.locator('#state h1').innerText();
export async function reads(page, words, ms = 15e3) {
  await page.waitForFunction((text) => document.querySelector('#state h1')?.innerText.includes(text), words, { timeout: ms })
    .catch(async () => { throw new Error(`"${words}" never came; it says:\n${await page.locator('#state').innerText()}`); });
}

// Loads a page anew that is offline. Chromium then goes on without a network, but tells the page that it
// has one, until it is told so once more.
export async function reloadOffline(page) {
  await page.reload();
  page.network ||= await page.context().newCDPSession(page);
  await page.network.send('Network.overrideNetworkState', { offline: true, latency: 0, downloadThroughput: -1, uploadThroughput: -1 });
  await page.waitForFunction(() => !navigator.onLine);
}
// And gives it a network again.
export async function backOnline(page) {
  await page.context().setOffline(false);
  await page.network.detach();
  await page.waitForFunction(() => navigator.onLine);
}
