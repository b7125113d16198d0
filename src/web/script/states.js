// The banner: the first words on the screen say whether anybody will look for these people.
const words = () => {
  const kept = plan && plan.kept !== undefined && `${plan.kept ? 'Kept on this phone only' : 'This phone can\'t keep it: don\'t close this page'}. Nobody will look for you.`;
  const next = 'Keep this page open: it tries again by itself, and only while you see it.';
  if (!plan) {
    const lines = ['Nobody has the plan below until this page says FILED.'];
    if (why) lines.unshift(why);
    if (graves().length) lines.unshift('A plan that you threw away may have reached us. We ask once there is a signal.');
    return [why ? 'alarm' : 'wait', 'NOT FILED', lines];
  }
  const told = plan.receipt;
  if (told?.state === 'closed') return ['over', 'The watch is over', [`Plan ${told.ref}. Nobody is watching for you on it.`]];
  if (told) {
    const lines = [`Still out: ${told.words.out}. If you have not checked in by ${told.words.overdue}, your contacts are told.`,
      `Plan ${told.ref}. Spoken check-in, at ${location.host}/code: ${told.ref} ${told.spoken}. Last checked ${told.words.checked}${Date.now() - plan.checked > MIN ? `, ${span(Date.now() - plan.checked)} ago` : ''}.`];
    if (plan.risen) lines.unshift('You threw this away, but it had reached us: it is watched. To end that, call the trip off on its page.');
    if (told.late) lines.push(`It reached us ${told.late} after your launch. Your contacts' letters say so.`);
    if (!told.reached) lines.unshift('ARMED, BUT NOBODY HAS BEEN REACHED YET: no letter has left for any of your contacts. Check again before you launch.');
    else if (!told.confirmed) lines.push('Letters have left, but no contact has said yet that they have one. Call one of them.');
    if (told.state === 'overdue') return ['alarm', `OVERDUE since ${told.words.overdue}`, [`${told.reached ? 'Your contacts are being told' : 'NOBODY HAS BEEN REACHED YET'}. If you are ashore, check in now.`, ...lines.slice(1)]];
    return [told.reached ? 'watched' : 'wait filed', `FILED ${told.words.received}. Back by ${told.words.due}`, lines];
  }
  if (past() && plan.unknown && !busy) return ['alarm unsure', 'We can\'t tell whether it arrived, and its return time has passed', ['If it did, your contacts are being told that you are overdue. Tell them yourself how you are.', next]];
  if (past() && !busy) return ['alarm', 'NOT FILED, and its return time has passed', ['It is not sent any more: nobody watches. Still out? Change it and give a new return time. Ashore? Throw it away.']];
  if (sending()) return ['wait', 'NOT FILED yet. Sending…', ['Keep this page open until it says FILED.' + (lamp ? ' The screen is kept on.' : ''), slow() && 'It takes long: text the plan meanwhile.', kept]];
  if (busy === 'look') return ['wait unsure', 'We can\'t tell whether it arrived. Checking…', ['Keep this page open.']];
  if (busy) return ['wait', 'NOT FILED yet. Another window of this page is sending it', [kept]];
  if (stale()) return ['alarm', plan.unknown ? 'We can\'t tell whether it arrived' : 'NOT FILED', [plan.unknown ? '' : kept, `You wrote this plan ${span(Date.now() - plan.written)} ago. Is it still true? Then send it. If not, throw it away.`]];
  if (plan.unknown) return ['alarm unsure', 'We can\'t tell whether it arrived', [why, 'Until this page says FILED, act as if nobody had it.', next]];
  return ['alarm', 'NOT FILED', [kept, why, next]];
};

// A few words for those who can carry the plan by other ways.
function shortText() {
  const body = new URLSearchParams(plan?.body || formBody());
  const of = (name) => body.get(name) || '';
  const crew = [1, 2, 3, 4].map((n) => of(`crew[${n}].name`)).filter(Boolean).join(', ');
  const phone = of('crew[1].phone');
  return `Float plan of ${crew || 'us'}${phone ? ' (' + phone + ')' : ''}. Launch ${of('times.launch.date')} ${of('times.launch.time')} at ${of('launch.name')} ${of('launch.position')}. Back by ${of('times.return_by.date')} ${of('times.return_by.time')}. It is NOT filed with any service: if you have not heard by then, call us, then the rescue service.`;
}
const button = (text, deed, more = 'second') => el('button', text, { type: 'button', className: more, onclick: deed });
const link = (text, href) => el('a', text, { href, className: 'button second' });

function show() {
  const [tone, head, lines] = words();
  document.title = `${head}: float plan`;
  const state = $('#state');
  state.className = 'full ' + tone;
  const text = [head, ...lines].join('\n');
  if (state.dataset.said !== text) {
    state.dataset.said = text;
    if (state.dataset.head && state.dataset.head !== head) scrollTo(0, 0);
    state.dataset.head = head;
    state.replaceChildren(el('h1', head), ...lines.filter(Boolean).map((one) => el('p', one)));
  }
  $('#ramp').hidden = !!plan;
  const acts = $('#acts'), key = [tone, head, busy, slow(), plan?.checked, stale(), past()].join();
  acts.hidden = !plan;
  if (acts.dataset.key === key) return;
  acts.dataset.key = key;
  const rows = [];
  let main = null;
  if (plan?.receipt) {
    const told = plan.receipt;
    rows.push(el('h2', 'Who has been reached'), el('dl', ''));
    for (const one of told.told) rows[1].append(el('dt', one.name), el('dd', one.fate));
    if (told.crew && told.state !== 'closed') main = el('a', 'Check in, extend or call off', { href: told.crew, className: 'button' });
    rows.push(button('Check again', check), link('Cautions, and keep as a usual trip', '/filed/' + told.ref),
      button('Write another plan', async () => { plan = null; await keep(); location.reload(); }));
  } else if (plan && (!sending() || slow())) {
    if (!sending() && (!past() || plan.unknown)) main = button(past() ? 'Look again' : stale() ? 'It is still true: send it' : 'Try now', () => attempt(true), '');
    rows.push(el('p', 'A text often passes where a page does not. Whoever gets it is then your watch, and not we.'));
    const text = encodeURIComponent(shortText());
    rows.push(link('Text this plan to somebody', 'sms:?&body=' + text));
    if (navigator.share) rows.push(button('Share this plan', () => navigator.share({ text: shortText() }).catch(() => {})));
    if (!sending()) {
      rows.push(button('Change it', async () => { const { body } = plan; await throwAway(); if (!plan) { fill(body); show(); } }),
        el('p', 'The next button can\'t be taken back:', { className: 'apart' }), button('Throw this plan away', () => { local('draft', null); throwAway(); }));
    }
  }
  if (main) {
    const go = el('div', '', { className: 'go' });
    go.append(main);
    rows.push(go);
  }
  acts.replaceChildren(...rows);
}
