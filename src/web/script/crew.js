// A check-in, an extension, a calling-off: done only when the service says so with the form's own word.
document.documentElement.className = 'js';
const WAITS = [3, 6, 12, 30, 60];
let sending = null, timer = 0;
const banner = (tone, head, ...lines) => {
  document.title = head;
  $('#state').className = 'full ' + tone;
  $('#state').replaceChildren(el('h1', head), ...lines.map((one) => el('p', one)));
};
// While one thing is under way no other can be done: its buttons are out of sight.
const page = (there) => $$('main > *').forEach((one) => { if (one.id !== 'acts') one.hidden = !there; });
function ways() {
  const acts = $('#acts');
  acts.hidden = false;
  const now = el('button', 'Try now', { type: 'button', onclick: () => send() });
  const text = encodeURIComponent(`At ${timeOf(new Date())} we mean to say: ${sending.words}. Our page can't reach the service. Please write it down on your page, from our letter.`);
  acts.replaceChildren(now, el('p', 'A text often passes where a page does not. A contact can write it down on their own page.'),
    el('a', 'Text a contact', { className: 'button second', href: 'sms:?&body=' + text }));
}
async function send() {
  clearTimeout(timer);
  const { body, words, once, action } = sending;
  banner('wait', `NOT DONE yet: ${words}. Sending…`, 'Keep this page open.');
  page(false);
  const answer = await ask('POST', action, body, { accept: 'application/json' });
  if (answer.status === 200 && answer.json.once === once && answer.json.done) {
    location.replace(answer.json.next);
    return;
  }
  if (answer.json && answer.status >= 400 && answer.status < 500) {
    banner('alarm', `NOT DONE: ${words}`, answer.json.detail || '');
    sending = null;
    $('#acts').hidden = true;
    page(true);
    return;
  }
  banner('alarm unsure', `We can't tell whether this arrived: ${words}`, answer.stranger
    ? 'Something else answered in its place: a sign-in page of this network?' : 'No answer came.',
    'Until this page says that it was done, count on it that your contacts think you still out.',
    'Sent again it is done once only. This page tries again by itself, while you see it.');
  ways();
  if (!document.hidden) timer = setTimeout(send, WAITS[Math.min(sending.tries++, WAITS.length - 1)] * 1e3);
}
for (const form of $$('form')) form.addEventListener('submit', (event) => {
  event.preventDefault();
  if (sending) return;
  sending = {
    body: new URLSearchParams(new FormData(form)).toString(), action: form.getAttribute('action'),
    once: form.elements.namedItem('once').value, words: event.submitter ? `"${event.submitter.textContent}"` : 'this', tries: 0,
  };
  scrollTo(0, 0);
  send();
});
for (const what of ['online', 'pageshow']) addEventListener(what, () => { if (sending) send(); });
document.addEventListener('visibilitychange', () => { if (sending && !document.hidden) send(); });
for (const here of $$('[data-here]')) here.onclick = () => {
  const said = here.nextElementSibling;
  said.textContent = 'Asking this phone where it is…';
  navigator.geolocation.getCurrentPosition(({ coords }) => {
    document.getElementById(here.dataset.here).value = `${coords.latitude.toFixed(5)} ${coords.longitude.toFixed(5)}`;
    said.textContent = `Known to ${Math.round(coords.accuracy)} m.`;
  }, (error) => { said.textContent = `This phone does not tell where it is (${error.message}). Type it.`; },
  { enableHighAccuracy: true, timeout: 15e3, maximumAge: MIN });
};
