// The one plan that this phone means to file, kept in two stores until the service has it.
const SLOT = 'plan', GRAVES = 'thrown';
const WAITS = [3, 6, 12, 30, 60];
// A plan written longer ago than this is not sent without asking: its people may be home by now.
const STALE = 60 * MIN;
// So long nobody need wait for an answer without being shown another way.
const SLOW = 6e3;
let plan = null, busy = '', since = 0, why = '', tries = 0, timer = 0, lamp = null;
const line = 'BroadcastChannel' in self ? new BroadcastChannel('shorelamp') : null;

const db = (mode, work) => new Promise((done, failed) => {
  setTimeout(() => failed(new Error('slow')), 3000);
  const open = indexedDB.open('shorelamp', 1);
  open.onupgradeneeded = () => open.result.createObjectStore('kept');
  open.onerror = () => failed(open.error);
  open.onsuccess = () => {
    try {
      const deed = open.result.transaction('kept', mode, { durability: 'strict' });
      const asked = work(deed.objectStore('kept'));
      deed.oncomplete = () => { open.result.close(); done(asked.result); };
      deed.onerror = deed.onabort = () => { open.result.close(); failed(deed.error); };
    } catch (error) { failed(error); }
  };
});
const local = (name, value) => {
  try {
    if (value === undefined) return localStorage.getItem(name);
    if (value === null) localStorage.removeItem(name);
    else localStorage.setItem(name, value);
  } catch { /* no store: what is read back says so */ }
  return null;
};

// Kept only when both stores give back what was put in.
async function keep() {
  if (plan) delete plan.kept;
  const text = plan && JSON.stringify(plan);
  local(SLOT, text);
  let there;
  try {
    await db('readwrite', (store) => (text ? store.put(text, SLOT) : store.delete(SLOT)));
    there = await db('readonly', (store) => store.get(SLOT));
  } catch { /* the same */ }
  line?.postMessage(0);
  if (plan) plan.kept = local(SLOT) === text && there === text;
}
async function load() {
  const text = local(SLOT);
  let other;
  try { other = await db('readonly', (store) => store.get(SLOT)); } catch { /* none */ }
  try { plan = JSON.parse(text || other || 'null'); } catch { plan = null; }
  if (plan) plan.kept = !!text && text === other;
}
const graves = () => { try { return JSON.parse(local(GRAVES)) || []; } catch { return []; } };
const dig = (ids) => local(GRAVES, ids.length ? JSON.stringify(ids) : null);

async function stay(on) {
  try {
    if (on && !lamp) lamp = await navigator.wakeLock.request('screen');
    else if (!on && lamp) { await lamp.release(); lamp = null; }
  } catch { lamp = null; }
}
const past = () => plan?.due && Date.now() - skew >= plan.due;
const stale = () => plan && Date.now() - plan.written > STALE;
const sending = () => busy === 'send';
const slow = () => sending() && performance.now() - since >= SLOW;
// Not sent without asking; past its time, not at all.
const rests = () => past() || stale();
const path = (id) => '/api/v1/filings/' + id;
const lookUp = () => ask('GET', path(plan.id));

// What is kept of a filed plan says nothing of anybody's health.
const bare = (body) => body?.replace(/[^&]*\.medical=[^&]*&?/g, '');

// Filed is what the service says of this very plan, and nothing else.
const isReceipt = (answer, sha) => answer.json?.id === plan.id && answer.json.ref
  && answer.json.due_at && answer.json.received_at && (!sha || answer.json.sha256 === sha);

async function settle(answer) {
  const at = answer.status;
  if ([200, 201].includes(at) && isReceipt(answer, plan.sha)) {
    local('last', bare(plan.body));
    Object.assign(plan, { receipt: answer.json, checked: Date.now(), unknown: false, body: '' });
    why = ''; tries = 0;
    local('draft', null);
    form.reset();
  } else if (answer.stranger) {
    why = 'Something else answered: a sign-in page of this network? Sign in there, and come back.';
  } else if (answer.lost) {
    why = navigator.onLine ? 'No answer came.' : 'This phone has no signal.';
  } else if (at === 404 && answer.json.id === plan.id) {
    plan.unknown = false;
  } else if (at === 410) {
    plan = null; why = 'This plan was thrown away for good.';
  } else if (at === 422) {
    const fields = answer.json.fields || [];
    fill(plan.body);
    plan = null; why = '';
    return keep().then(() => faults(fields, answer.json.detail));
  } else if ([400, 401, 403, 413, 415, 429, 507].includes(at)) {
    plan.unknown = false; why = answer.json.detail || '';
  } else why = answer.json?.detail || 'The service is in trouble.';
  await keep();
}

async function attempt(asked) {
  clearTimeout(timer);
  if (asked) tries = 0;
  // What may have arrived is looked up in any case; only what is still true is sent.
  if (!plan || plan.receipt || busy || (rests() && !asked && !plan.unknown)) return show();
  const work = async (held) => {
    if (!held) { busy = 'elsewhere'; show(); busy = ''; return; }
    await load();
    if (!plan || plan.receipt) return;
    if (asked) plan.written = Date.now();
    stay(true);
    if (plan.unknown) {
      busy = 'look'; show();
      await settle(await lookUp());
    }
    if (plan && !plan.receipt && !plan.unknown && !navigator.onLine) why = 'This phone has no signal.';
    else if (plan && !plan.receipt && !plan.unknown && !rests()) {
      busy = 'send'; plan.unknown = true;
      since = performance.now();
      setTimeout(show, SLOW + 50);
      await keep(); show();
      await settle(await ask('PUT', path(plan.id), plan.body));
    }
  };
  if (navigator.locks) await navigator.locks.request('shorelamp', { ifAvailable: true }, work);
  else await work(true);
  busy = '';
  if (!plan || plan.receipt) stay();
  show();
  again();
}
function again() {
  clearTimeout(timer);
  if (document.hidden || !plan) return;
  if (plan.receipt) { timer = setTimeout(check, 15e3); return; }
  if (rests() && !plan.unknown) return;
  const wait = WAITS[Math.min(tries++, WAITS.length - 1)];
  timer = setTimeout(attempt, wait * 1e3);
}

// What the service says of a filed plan now.
async function check() {
  if (!plan?.receipt) return;
  const answer = await lookUp();
  if (!plan?.receipt) return;
  if (answer.status === 200 && isReceipt(answer, plan.sha)) {
    Object.assign(plan, { receipt: answer.json, checked: Date.now() });
    await keep();
  }
  show();
  again();
}

// Thrown away here at once, and for good as soon as the service has heard of it. Where the plan
// had arrived, it is watched, and says so.
async function bury(id) {
  const answer = await ask('DELETE', path(id));
  if (answer.status === 409 && answer.json.id === id && answer.json.ref) {
    dig(graves().filter((one) => one !== id));
    plan = { id, receipt: answer.json, checked: Date.now(), risen: true };
    await keep();
  } else if (answer.status === 200 && answer.json.id === id && answer.json.thrown_away) {
    dig(graves().filter((one) => one !== id));
  }
}
async function buryAll() {
  for (const id of graves()) await bury(id);
  show();
}
async function throwAway() {
  const id = plan.id;
  dig([...graves(), id]);
  plan = null; why = '';
  stay();
  await keep();
  show();
  await bury(id);
  // It had arrived: what was sent is no draft.
  if (plan?.risen) local('draft', null);
  show();
}

async function file(body, due) {
  if (plan) return;
  await buryAll();
  if (plan) return;
  const bytes = await crypto.subtle.digest('SHA-256', new TextEncoder().encode(body));
  const sha = [...new Uint8Array(bytes)].map((byte) => byte.toString(16).padStart(2, '0')).join('');
  plan = { id: crypto.randomUUID(), body, sha, due, written: Date.now(), unknown: false };
  tries = 0;
  navigator.storage?.persist?.().catch(() => {});
  show();
  await keep();
  attempt();
}
