// What comes over the wire, in bytes: they do not depend on how fast anything is.
import test from 'node:test';
import assert from 'node:assert/strict';
import http from 'node:http';
import { brotliDecompressSync } from 'node:zlib';
import { Lamp, TRIP, local } from './lamp.mjs';

function get(lamp, where, coding = 'br') {
  return new Promise((done, failed) => {
    const headers = { 'accept-encoding': coding, cookie: `shorelamp=${lamp.key.key}` };
    http.get(lamp.base + where, { headers }, (answer) => {
      const parts = [];
      answer.on('data', (part) => parts.push(part));
      answer.on('end', () => {
        const body = Buffer.concat(parts);
        // The status line, each header with its colon, blank and line break, and the empty line.
        const head = 'HTTP/1.1 200 OK\r\n\r\n'.length + answer.rawHeaders.reduce((sum, text) => sum + text.length + 2, 0);
        const text = answer.headers['content-encoding'] === 'br' ? brotliDecompressSync(body).toString() : body.toString();
        done({ headers: answer.headers, bytes: body.length + head, text });
      });
    }).on('error', failed);
  });
}

test('the page and all that it loads is small', async () => {
  const lamp = await Lamp.lit();
  try {
    const [launch, due] = [local(5), local(240)].map((at) => `${at.date}T${at.time}`);
    for (let trip = 0; trip < 3; trip += 1) {
      const filed = await lamp.api('/api/v1/plans', 'POST', { ...TRIP, title: `Trip ${trip}`, times: { launch, return_by: due } });
      const page = await get(lamp, '/filed/' + filed.json.ref);
      const of = (name) => page.text.match(new RegExp(`name="${name}" value="([^"]*)"`))[1];
      const body = new URLSearchParams({ do: 'keep', ref: filed.json.ref, once: of('once'), token: of('token'), name: `Usual trip ${trip}` });
      const kept = await fetch(lamp.base + '/trips', { method: 'POST', body, redirect: 'manual', headers: { cookie: `shorelamp=${lamp.key.key}` } });
      assert.equal(kept.status, 303);
    }
    const page = await get(lamp, '/');
    assert.equal(page.headers['content-encoding'], 'br');
    assert.equal((page.text.match(/data-form=/g) || []).length, 3, 'three usual trips');
    const rest = [...page.text.matchAll(/(?:href|src)="(\/a\/[^"]+|\/app[^"]+)"/g)].map((found) => found[1]);
    let all = page.bytes;
    const told = [`/ ${page.bytes}`];
    for (const where of [...new Set(rest), '/sw.js']) {
      const one = await get(lamp, where);
      all += one.bytes;
      told.push(`${where} ${one.bytes}`);
      assert.equal(one.headers['content-encoding'], 'br', where);
      if (where.startsWith('/a/')) assert.match(one.headers['cache-control'], /immutable/);
      const gzip = await get(lamp, where, 'gzip');
      assert.equal(gzip.headers['content-encoding'], 'gzip', where);
    }
    console.log(told.join('\n'), `\nall ${all}`);
    assert.ok(page.bytes <= 10_000, `the first request has ${page.bytes} bytes`);
    assert.ok(all <= 14_000, `all of it has ${all} bytes`);
  } finally {
    await lamp.end();
  }
});
