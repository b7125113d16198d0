// The form: usual trips, times in steps, the review while it is filled, and what is wrong with it.
const form = $('#plan');
const field = (name) => form.elements.namedItem(name);
const moment = (name) => instant(field(name + '.date').value, field(name + '.time').value);
let judged = null, later = 0, sunset = null;

function formBody() {
  const pairs = [...new FormData(form)].filter(([name, value]) => typeof value === 'string' && value.trim()
    && !['once', 'token', 'do'].includes(name));
  return new URLSearchParams(pairs).toString();
}
function fill(body) {
  for (const one of form.elements) if (one.name && !/hidden|submit|file/.test(one.type)) one.value = '';
  for (const [name, value] of new URLSearchParams(body)) if (field(name)) field(name).value = value;
}
// Times that the page put there itself move with the clocks; typed ones stay.
const own = {};
function clocks(named) {
  if (!named || named === zone) return;
  const kept = Object.keys(own).filter((name) => +moment(name) === own[name]);
  zone = named;
  for (const name of kept) put(name, new Date(own[name]));
}
function put(name, at) {
  own[name] = Math.floor(at / MIN) * MIN;
  field(name + '.date').value = dayOf(at);
  field(name + '.time').value = timeOf(at);
}
const soon = (min) => new Date(Math.ceil((Date.now() + min * MIN) / (5 * MIN)) * 5 * MIN);

// What is folded away says what it holds.
function fold(shut) {
  for (const group of $$('details.group', form)) {
    const said = $$('input, select', group).filter((one) => /name|kind|position$/.test(one.name)).map((one) => one.value).filter(Boolean);
    $('.sum', group).textContent = said.length ? ': ' + said.join(', ').slice(0, 120) : '';
    if (shut !== undefined) group.open = !shut && group.dataset.open === '1';
  }
}
function readBack() {
  const launch = moment('times.launch'), due = moment('times.return_by');
  const lines = [+launch && 'Launch ' + inWords(launch), +due && 'Back by ' + inWords(due),
    due < launch && 'The return is before the launch: check the days.'];
  $('#read').replaceChildren(...lines.filter(Boolean).map((one) => el('p', one)));
}
// Only a secure page has this; an older browser sends the form as it is.
const canKeep = self.crypto?.randomUUID && self.indexedDB;
function changed() {
  // What was sent is no draft.
  if (plan) return;
  readBack();
  judged = null;
  // Where the browser sends the form nothing here hears that it was filed: that draft says nothing of health.
  if (formBody().length < 9000) local('draft', canKeep ? formBody() : bare(formBody()));
  clearTimeout(later);
  later = setTimeout(judge, 700);
}
const things = (list) => (list.length === 1 ? '1 thing' : list.length + ' things');
async function judge() {
  const body = formBody(), box = $('#judged');
  const answer = await ask('POST', '/api/v1/judge', body);
  if (body !== formBody()) return;
  if (answer.status === 200 && typeof answer.json.html === 'string') {
    judged = answer.json;
    box.innerHTML = judged.html;
    self.routeTools?.hear?.(judged);
    sunset = judged.sunset && new Date(judged.sunset);
    for (const one of $$('[data-sun]')) one.hidden = !sunset;
    if (judged.zone !== (zone || Intl.DateTimeFormat().resolvedOptions().timeZone)) {
      clocks(judged.zone);
      changed();
    }
  } else if (answer.status === 422) {
    box.replaceChildren(el('p', `Not judged yet: ${things(answer.json.fields || [])} missing or wrong.`));
  } else box.replaceChildren(el('p', 'Not judged: no answer from the service. It can be filed all the same.'));
}

// Every fault at once, beside its field; what was typed stays.
function faults(fields, detail) {
  for (const one of $$('.fault', form)) one.remove();
  const list = $('#mend');
  list.replaceChildren();
  for (const { field: id, label, text } of fields) {
    const item = el('li', '', { className: 'fault' });
    item.append(id ? el('a', label, { href: '#' + id }) : label, ': ' + text);
    list.append(item);
    const at = id && document.getElementById(id);
    if (!at) continue;
    (at.closest('.pair') || at.closest('label') || at).before(el('p', text, { className: 'fault' }));
    for (let up = at.closest('details'); up; up = up.parentElement.closest('details')) up.open = true;
  }
  why = fields.length ? `${things(fields)} to mend. What you typed is kept below.` : detail;
  show();
  scrollTo(0, 0);
}

// The service keeps no medical notes for the next time; this phone does where it is told to.
const medical = () => JSON.parse(local('notes') || '{}');
const crew = () => [1, 2, 3, 4].map((n) => [field(`crew[${n}].name`).value, field(`crew[${n}].medical`)]);
// A trip as it was once, for today.
function asBefore(body, min, named) {
  fill(body);
  const notes = medical();
  for (const [name, box] of crew()) box.value = notes[name] || '';
  clocks(named);
  const launch = soon(5);
  put('times.launch', launch);
  put('times.return_by', new Date(+launch + min * MIN));
  fold(true);
  changed();
  clearTimeout(later);
  judge();
  $('#when').scrollIntoView();
}
for (const trip of $$('#trips a')) trip.onclick = (event) => {
  event.preventDefault();
  asBefore(trip.dataset.form, trip.dataset.min, trip.dataset.zone);
};
for (const step of $$('.steps button')) step.onclick = () => {
  const { sun, step: later } = step.dataset;
  put('times.return_by', new Date(sun ? +sunset + sun * MIN : (+moment('times.return_by') || Date.now()) + later * MIN));
  changed();
};
// What not every plan needs is fetched when somebody asks for it: the route's tools, and the phone's
// position.
const routeGroup = $('[data-script]');
let fetching = null;
const fetchTools = () => fetching = fetching || new Promise((done, failed) => {
  self.routeTools = { $, $$, el, ask, field, form, changed, button, local };
  const onerror = () => { fetching = null; failed(); };
  document.head.append(el('script', '', { src: routeGroup.dataset.script, onload: done, onerror }));
});
routeGroup.addEventListener('toggle', () => routeGroup.open && fetchTools().catch(() => {}));
for (const here of $$('[data-here]')) here.onclick = () => fetchTools()
  .then(() => here.click(), () => { here.nextElementSibling.textContent = 'No answer. Type it.'; });

if (canKeep) form.onsubmit = (event) => {
  event.preventDefault();
  faults([], '');
  const notes = medical();
  for (const [name, box] of crew()) if (name) notes[name] = box.value || undefined;
  local('notes', $('#keep').checked ? JSON.stringify(notes) : null);
  file(formBody(), judged ? Date.parse(judged.due_at) : +moment('times.return_by') || 0);
};
form.oninput = form.onchange = changed;

// A page that the worker kept tells of trips as they were.
function lay() {
  const age = Date.now() - skew - Date.parse(form.dataset.now);
  if (age > 5 * MIN && $('#watched')) $('#watched').prepend(el('p', `As it was ${span(age)} ago: this page lay on the phone. Open a trip to see how it stands.`));
}
async function begin() {
  document.documentElement.className = 'js';
  zone = form.dataset.zone || undefined;
  const fresh = form.dataset.fresh === '1';
  // At once, before anything can be typed over it.
  if (fresh && !local(SLOT) && local('draft')) fill(local('draft'));
  await load();
  // A draft of yesterday is for today.
  if (fresh && !(moment('times.return_by') > Date.now())) {
    put('times.launch', soon(5));
    put('times.return_by', soon(5 + 180));
  }
  // Whoever keeps no usual trip need not type the same people twice.
  const last = bare(local('last'));
  if (last) local('last', last);
  if (last && !$('#trips')) form.before(button('As last time' + (local('notes') ? '' : ' but medical notes'), () => asBefore(last, 180)));
  $('#keep').checked = local('notes')?.[2];
  fold();
  readBack();
  show();
  navigator.serviceWorker?.register('/sw.js').catch(() => {});
  if (line) line.onmessage = async () => { if (!busy) { await load(); show(); } };
  const wake = async () => {
    if (document.hidden) { clearTimeout(timer); return; }
    await load();
    show();
    if (plan?.receipt) check();
    else { tries = 0; attempt(); }
    buryAll();
  };
  addEventListener('online', wake);
  addEventListener('pageshow', (event) => { if (event.persisted) wake(); });
  document.addEventListener('visibilitychange', wake);
  setInterval(() => { readBack(); if (plan) show(); }, 30e3);
  if (plan) wake();
  else { buryAll(); ask('GET', '/healthz').then(lay); if (field('crew[1].name').value) judge(); }
}
begin();
