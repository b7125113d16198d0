'use strict';
// What this phone keeps of its trips, in words, and how to make it forget. A plan that may still have
// to be sent, and one that is watched, are never touched.
document.documentElement.className = 'js';
const list = document.getElementById('kept'), said = document.getElementById('said'), forget = document.getElementById('forget');
const get = (name) => localStorage.getItem(name);
const parse = (text) => { try { return JSON.parse(text); } catch { return undefined; } };
const el = (tag, text) => Object.assign(document.createElement(tag), { textContent: text });

// Works on the second store of the plan; it is never made here.
const db = (mode, work) => new Promise((done, failed) => {
  const open = indexedDB.open('shorelamp');
  open.onupgradeneeded = () => open.transaction.abort();
  open.onerror = () => (open.error?.name === 'AbortError' ? done() : failed(open.error));
  open.onsuccess = () => {
    const deed = open.result.transaction('kept', mode), asked = work(deed.objectStore('kept'));
    deed.oncomplete = () => { open.result.close(); done(asked.result); };
    deed.onerror = deed.onabort = () => { open.result.close(); failed(deed.error); };
  };
});
// Both copies of the plan: one that can't be read may be one that was never sent.
const plans = async () => [get('plan'), await db('readonly', (store) => store.get('plan'))].filter(Boolean).map(parse);
const over = (plan) => plan?.receipt?.state === 'closed';
const people = () => Object.keys(parse(get('notes')) || {});

// What stays, and what goes.
async function kept() {
  const stays = [], goes = [], copies = await plans();
  if (copies.some((one) => !one?.receipt)) stays.push('A plan that this page has not seen filed. It is never forgotten here: file it or throw it away on the plan page first.');
  else if (copies.some((one) => !over(one))) stays.push(`Plan ${copies[0].receipt.ref}, which is watched, with the link to check in. It goes once the watch is over.`);
  else if (copies.length) goes.push(`Plan ${copies[0].receipt.ref}, whose watch is over.`);
  if (get('thrown')) stays.push('The number of a plan that you threw away, until the service has heard of it.');
  if (get('draft')) goes.push('What you typed on the plan page and have not filed, medical notes too.');
  if (get('last')) goes.push('The plan you filed last, for "As last time": people, addresses, places and craft. No medical notes.');
  const notes = people();
  if (notes.length) goes.push(`Medical notes of ${notes.join(', ')}, because the box below them was ticked.`);
  return { stays, goes };
}
async function tell() {
  const { stays, goes } = await kept();
  list.replaceChildren(...[...goes, ...stays.map((one) => `Stays: ${one}`)].map((one) => el('li', one)));
  if (!list.children.length) list.append(el('li', 'Nothing of any trip.'));
  forget.hidden = !goes.length;
}
async function clear() {
  const copies = await plans();
  for (const name of ['draft', 'last', 'notes']) localStorage.removeItem(name);
  if (copies.length && copies.every(over)) {
    localStorage.removeItem('plan');
    await db('readwrite', (store) => store.delete('plan'));
  }
  // The page that opens without a signal is kept anew, as the service writes it now.
  fetch('/', { cache: 'no-store' }).catch(() => {});
}
const trouble = () => { said.textContent = 'This phone does not let its store be read. Its browser\'s settings can clear it, and with it a plan that was not sent.'; };
forget.onclick = async () => {
  // No window of ours may send or keep a plan meanwhile.
  const work = async () => {
    await clear();
    await tell();
    said.textContent = list.textContent.includes('Stays:') ? 'Forgotten, but for what stands above.' : 'Forgotten.';
  };
  await (navigator.locks ? navigator.locks.request('shorelamp', work) : work()).catch(trouble);
};
tell().catch(trouble);
