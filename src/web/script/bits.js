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

// The clocks of the launch, which need not be this phone's; its own until the service names them.
let zone;
const local24 = (at) => new Intl.DateTimeFormat('sv-SE', { timeZone: zone, dateStyle: 'short', timeStyle: 'medium' }).format(at);
const dayOf = (at) => local24(at).slice(0, 10);
const timeOf = (at) => local24(at).slice(11, 16);
const instant = (day, time) => {
  const meant = Date.parse(`${day}T${time}Z`), off = (at) => Date.parse(local24(at).replace(' ', 'T') + 'Z') - at;
  return new Date(meant ? meant - off(meant - off(meant)) : NaN);
};
const span = (ms) => {
  const min = Math.round(Math.abs(ms) / MIN), h = Math.floor(min / 60), d = Math.floor(h / 24);
  if (d > 1) return `${d} days ${h % 24} h`;
  return h ? `${h} h ${min % 60} min` : `${min} min`;
};
const inWords = (at) => {
  const ahead = at - Date.now();
  const day = at.toLocaleDateString('en-GB', { timeZone: zone, weekday: 'short', day: 'numeric', month: 'short' });
  const clocks = at.toLocaleTimeString('en', { timeZone: zone, timeZoneName: 'short' }).split(' ').pop();
  return `${day}, ${timeOf(at)} ${clocks}, ${ahead < 0 ? span(ahead) + ' AGO' : 'in ' + span(ahead)}`;
};

// By how much this phone's clock is ahead of the service's, in milliseconds.
let skew = 0;
function compare(answer, began) {
  const said = Date.parse(answer.headers.get('date')), took = Date.now() - began;
  // A phone that slept, or whose clock was set, while it waited can't be compared by this answer.
  if (said && took >= 0 && took <= LONGEST) skew = began + took / 2 - said - 500;
  const off = Math.abs(skew) > 2 * MIN;
  const line = $('#clock');
  if (!line) return;
  line.hidden = !off;
  if (off) line.textContent = `This phone's clock is ${span(skew)} ${skew > 0 ? 'ahead of' : 'behind'} the service's, which goes by its own. Compare the times below with another clock.`;
}

// One question to the service. Only an answer in JSON that was not sent on counts as its own.
async function ask(method, path, body, more) {
  const stop = new AbortController(), began = Date.now();
  const timer = setTimeout(() => stop.abort(), LONGEST);
  try {
    const answer = await fetch(path, {
      method, body, signal: stop.signal, redirect: 'error', cache: 'no-store',
      headers: { ...more, ...(body === undefined ? {} : { 'content-type': 'application/x-www-form-urlencoded;charset=UTF-8' }) },
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
