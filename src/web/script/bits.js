'use strict';
// What every page's script uses.
const $ = (what, at = document) => at.querySelector(what);
const $$ = (what, at = document) => [...at.querySelectorAll(what)];
const el = (tag, text, more = {}) => Object.assign(document.createElement(tag), { textContent: text }, more);
const MIN = 60e3;
const LONGEST = 20e3;

// A wet screen taps twice: whatever comes within 700 ms of a tap is no tap.
let tapped = 0;
addEventListener('click', (event) => {
  if (!event.target.closest('button, .button') || !event.isTrusted) return;
  const now = performance.now();
  if (now - tapped < 700) {
    event.preventDefault();
    event.stopImmediatePropagation();
  } else tapped = now;
}, true);

const two = (n) => String(n).padStart(2, '0');
const dayOf = (at) => `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
const timeOf = (at) => `${two(at.getHours())}:${two(at.getMinutes())}`;
const clock = (ms) => timeOf(new Date(ms));
const span = (ms) => {
  const min = Math.round(Math.abs(ms) / MIN), h = Math.floor(min / 60), d = Math.floor(h / 24);
  if (d > 1) return `${d} days ${h % 24} h`;
  return h ? `${h} h ${min % 60} min` : `${min} min`;
};
const inWords = (at) => {
  const ahead = at - Date.now();
  const day = at.toLocaleDateString('en-GB', { weekday: 'short', day: 'numeric', month: 'short' });
  const zone = at.toLocaleTimeString('en', { timeZoneName: 'short' }).split(' ').pop();
  return `${day}, ${timeOf(at)} ${zone}, ${ahead < 0 ? span(ahead) + ' AGO' : 'in ' + span(ahead)}`;
};

// By how much this phone's clock is ahead of the service's, in milliseconds.
let skew = 0;
function compare(answer, began) {
  const said = Date.parse(answer.headers.get('date'));
  if (said) skew = (began + Date.now()) / 2 - said - 500;
  const off = Math.abs(skew) > 2 * MIN;
  const line = $('#clock');
  if (!line) return;
  line.hidden = !off;
  if (off) line.textContent = `This phone's clock and the service's are ${span(skew)} apart (this phone is ${skew > 0 ? 'ahead' : 'behind'}). The service goes by its own: compare the times below with another clock.`;
}

// One question to the service. Only an answer in JSON that was not sent on counts as its own.
async function ask(method, path, body, type = 'application/x-www-form-urlencoded;charset=UTF-8') {
  const stop = new AbortController(), began = Date.now();
  const timer = setTimeout(() => stop.abort(), LONGEST);
  try {
    const answer = await fetch(path, {
      method, body, signal: stop.signal, redirect: 'error', cache: 'no-store',
      headers: body === undefined ? {} : { 'content-type': type },
    });
    compare(answer, began);
    const kind = answer.headers.get('content-type') || '';
    if (answer.redirected || !/^application\/(problem\+)?json/.test(kind)) return { stranger: true };
    return { status: answer.status, json: await answer.json() };
  } catch {
    return { lost: true };
  } finally {
    clearTimeout(timer);
  }
}
