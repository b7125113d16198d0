'use strict';
// Serves the page where there is no signal. It answers nothing else: no plan ever goes through it.
const FILES = KEPT_FILES;
const STORE = 'page ' + FILES.join();
const PATIENCE = 4e3;
// Only our own page: it carries our policy.
const isOurs = (answer) => answer.ok && !answer.redirected && answer.type === 'basic'
  && (answer.headers.get('content-security-policy') || '').includes("default-src 'none'");
addEventListener('install', (event) => {
  self.skipWaiting();
  event.waitUntil(caches.open(STORE).then((store) => store.addAll(['/', ...FILES])));
});
addEventListener('activate', (event) => event.waitUntil((async () => {
  for (const name of await caches.keys()) if (name !== STORE) await caches.delete(name);
  await self.clients.claim();
})()));
async function page(request) {
  const store = await caches.open(STORE);
  const kept = await store.match('/');
  const asked = fetch(request).then(async (answer) => {
    if (isOurs(answer) && !new URL(request.url).search) await store.put('/', answer.clone());
    return answer;
  });
  asked.catch(() => {});
  if (!kept) return asked;
  const late = new Promise((done) => { setTimeout(done, PATIENCE, kept); });
  return Promise.race([asked.then((answer) => (isOurs(answer) ? answer : kept), () => kept), late]);
}
addEventListener('fetch', (event) => {
  const { pathname } = new URL(event.request.url);
  if (event.request.method !== 'GET') return;
  if (pathname === '/') event.respondWith(page(event.request));
  else if (FILES.includes(pathname)) event.respondWith(caches.match(event.request).then((kept) => kept || fetch(event.request)));
});
