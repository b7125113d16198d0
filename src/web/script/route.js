'use strict';
// The route: from a GPX file, or by tapping on the chart; and where this phone is.
const { $, $$, el, ask, field, form, changed, button } = self.routeTools;

// Points that the line can do without, within so many degrees (Ramer, Douglas and Peucker).
function thin(points, off) {
  if (points.length < 3) return points;
  const [[ay, ax], [by, bx]] = [points[0], points[points.length - 1]], k = Math.cos(ay * Math.PI / 180);
  const dx = (bx - ax) * k, dy = by - ay, long = Math.hypot(dx, dy);
  let most = -1, at = 0;
  points.forEach(([y, x], i) => {
    const px = (x - ax) * k, py = y - ay;
    const far = long ? Math.abs(px * dy - py * dx) / long : Math.hypot(px, py);
    if (far > most && i && i < points.length - 1) [most, at] = [far, i];
  });
  if (most <= off) return [points[0], points[points.length - 1]];
  return [...thin(points.slice(0, at + 1), off).slice(0, -1), ...thin(points.slice(at), off)];
}
async function gpx(chosen) {
  const size = chosen.size > 1e6 ? `${Math.round(chosen.size / 1e6)} MB` : `${Math.ceil(chosen.size / 1e3)} kB`;
  const text = chosen.size > 5e6 ? '' : await chosen.text();
  if (!/<gpx[\s>]/.test(text.slice(0, 2000))) return `"${chosen.name}" (${size}) is no GPX file. Is it a photo? Nothing was changed.`;
  const tree = new DOMParser().parseFromString(text, 'text/xml');
  const of = (tag) => [...tree.getElementsByTagNameNS('*', tag)];
  const found = [of('rtept'), of('trkpt'), of('wpt')].find((all) => all.length > 1);
  if (tree.querySelector('parsererror') || !found) return `"${chosen.name}" holds no route or track of two points. Nothing was changed.`;
  let points = found.map((one) => [+one.getAttribute('lat'), +one.getAttribute('lon')]);
  if (!points.every(([lat, lon]) => Math.abs(lat) <= 90 && Math.abs(lon) <= 180)) return `"${chosen.name}" holds a point that is nowhere on earth. Nothing was changed.`;
  const had = points.length;
  for (let off = 1e-4; points.length > 40; off *= 2) points = thin(points, off);
  const lines = points.map(([lat, lon]) => `${lat.toFixed(5)} ${lon.toFixed(5)}`);
  $$('[name^="waypoint["]', form).forEach((one) => { one.value = ''; });
  field('launch.position').value = lines[0];
  field('landing.position').value = lines[lines.length - 1];
  field('more_waypoints').value = lines.slice(1, -1).join('\n');
  changed();
  return `${had} points read${had > points.length ? `, thinned to ${points.length}` : ''}: launch, route and landing are filled in.`;
}
$('#gpx').onchange = async ({ target }) => {
  if (target.files[0]) $('#gpx-said').textContent = await gpx(target.files[0]).catch(() => 'This file can\'t be read.');
};

for (const here of $$('[data-here]')) here.onclick = () => {
  const said = here.nextElementSibling;
  said.textContent = 'Asking this phone where it is…';
  navigator.geolocation.getCurrentPosition(({ coords }) => {
    field(here.dataset.here).value = `${coords.latitude.toFixed(5)} ${coords.longitude.toFixed(5)}`;
    said.textContent = `Known to ${Math.round(coords.accuracy)} m.`;
    changed();
  }, (error) => { said.textContent = `This phone does not tell where it is (${error.message}). Type it, or choose a usual trip.`; },
  { enableHighAccuracy: true, timeout: 15e3, maximumAge: 60e3 });
};

// Tapped on the chart. The points are the form's own: whatever is done here stands there at once.
const DIRECTIONS = [['North', 1, 0], ['South', -1, 0], ['West', 0, -1], ['East', 0, 1]];
const RADII = [1e3, 2e3, 4e3, 8e3, 16e3, 32e3];
const said = el('p', '', { className: 'hint' });
said.setAttribute('role', 'status');
const board = el('div', '', { className: 'chart tap' }), tools = el('div', '', { className: 'steps' });
let points = [], before = [], at = -1, sheet = null, radius = 2;

const parse = (text) => {
  const found = /^\s*(-?\d+(?:\.\d+)?)[ ,]+(-?\d+(?:\.\d+)?)\s*$/.exec(text);
  return found && [+found[1], +found[2]];
};
// What the form holds now; `null` where a position is not in decimal degrees.
function read() {
  const rows = [];
  for (let row = 1; field(`waypoint[${row}].position`); row += 1) {
    const of = (key) => field(`waypoint[${row}].${key}`).value.trim();
    if (of('position')) rows.push({ at: parse(of('position')), name: of('name'), stay: of('stay') });
  }
  for (const line of field('more_waypoints').value.split('\n').filter((one) => one.trim())) {
    const parts = line.split(';').map((one) => one.trim());
    const spot = parts.findIndex(parse);
    rows.push({ at: spot < 0 ? null : parse(parts[spot]), name: spot > 0 ? parts[0] : '', stay: parts[spot + 1] || '' });
  }
  return rows.every((one) => one.at) ? rows : null;
}
const write = () => {
  $$('[name^="waypoint["]', form).forEach((one) => { one.value = ''; });
  field('more_waypoints').value = points.map(({ at: [lat, lon], name, stay }) => {
    const spot = `${lat.toFixed(5)} ${lon.toFixed(5)}`;
    return name || stay ? [name, spot, stay].join('; ') : spot;
  }).join('\n');
  changed();
};
const stretch = (lat) => Math.asinh(Math.tan(lat * Math.PI / 180));
const width = () => (sheet.east - sheet.west + 360) % 360;
const xy = ([lat, lon]) => [((lon - sheet.west + 540) % 360 - 180) / width() * sheet.width,
  sheet.height * (1 - (stretch(lat) - stretch(sheet.south)) / (stretch(sheet.north) - stretch(sheet.south)))];
const position = (x, y) => {
  const up = stretch(sheet.south) + (1 - y / sheet.height) * (stretch(sheet.north) - stretch(sheet.south));
  const lon = sheet.west + x / sheet.width * width();
  return [Math.atan(Math.sinh(up)) * 180 / Math.PI, (lon + 540) % 360 - 180];
};
function svg(tag, more, text = '') {
  const made = document.createElementNS('http://www.w3.org/2000/svg', tag);
  for (const [key, value] of Object.entries(more)) made.setAttribute(key, value);
  made.textContent = text;
  return made;
}
function draw() {
  if (!sheet) return;
  const drawing = $('svg', board), over = svg('g', {});
  $('#over', drawing)?.remove();
  over.id = 'over';
  const start = parse(field('launch.position').value), end = parse(field('landing.position').value) || start;
  const line = [start, ...points.map((one) => one.at), end].filter(Boolean).map((one) => xy(one).map((n) => n.toFixed(1)).join());
  for (const [stroke, thick] of [['#fff', 9], ['#111', 4]]) over.append(svg('polyline', { points: line.join(' '), fill: 'none', stroke, 'stroke-width': thick }));
  points.forEach((one, i) => {
    const [x, y] = xy(one.at);
    over.append(svg('circle', { cx: x, cy: y, r: i === at ? 24 : 17, fill: i === at ? '#8c0000' : '#111', stroke: '#fff', 'stroke-width': 3 }),
      svg('text', { x, y: y + 8, fill: '#fff', 'text-anchor': 'middle' }, i + 1));
  });
  drawing.append(over);
}
function tell(extra = '') {
  const far = self.routeTools.judged;
  const reach = far ? `${(far.length_m / 1000).toFixed(1)} km long, ${far.farthest_m === null ? 'distance from shore unknown' : `at most ${(far.farthest_m / 1000).toFixed(1)} km from shore`}${far.paddling_s ? `, ${Math.round(far.paddling_s / 60)} min of paddling` : ''}.` : '';
  said.textContent = [extra, points.length ? `${points.length} points${at >= 0 ? `, number ${at + 1} selected` : ''}.` : 'Tap where you go, point by point.', reach].filter(Boolean).join(' ');
}
function change(deed) {
  before.push(JSON.stringify(points));
  deed();
  self.routeTools.judged = null;
  write();
  draw();
  tell();
}
const move = (north, east) => {
  if (at < 0) { tell('Select a point first.'); return; }
  change(() => {
    const step = RADII[radius] / 20 / 111_200, [lat, lon] = points[at].at;
    points[at].at = [lat + north * step, lon + east * step / Math.cos(lat * Math.PI / 180)];
  });
};
async function load() {
  const spot = field('launch.position').value;
  if (!spot) { said.textContent = 'Fill in the launch first: the chart is drawn around it.'; return; }
  said.textContent = 'Drawing the chart…';
  const answer = await ask('POST', '/api/v1/sheet', new URLSearchParams({ at: spot, radius_m: RADII[radius] }).toString());
  if (answer.status !== 200 || !answer.json.svg) {
    said.textContent = (answer.json && answer.json.detail) || 'No chart: no answer from the service. Type the points, or take a GPX file.';
    return;
  }
  const held = read();
  if (!held) { said.textContent = 'The form holds a point that is not in decimal degrees: clear it, or go on by typing.'; return; }
  points = held;
  at = Math.min(at, points.length - 1);
  sheet = answer.json;
  board.innerHTML = sheet.svg;
  draw();
  tell();
}
board.onclick = (event) => {
  const drawing = $('svg', board);
  if (!sheet || !drawing) return;
  const box = drawing.getBoundingClientRect();
  const x = (event.clientX - box.left) / box.width * sheet.width, y = (event.clientY - box.top) / box.height * sheet.height;
  const hit = points.findIndex((one) => { const [px, py] = xy(one.at); return Math.hypot(px - x, py - y) < 48; });
  if (hit >= 0) { at = hit; draw(); tell(); return; }
  change(() => { at += 1; if (at > points.length || at < 1) at = points.length; points.splice(at, 0, { at: position(x, y), name: '', stay: '' }); });
};
self.routeTools.hear = (heard) => { self.routeTools.judged = heard; if (sheet) tell(); };
tools.append(
  ...DIRECTIONS.map(([name, north, east]) => button(name, () => move(north, east))),
  button('Next point', () => { if (points.length) { at = (at + 1) % points.length; draw(); tell(); } }),
  button('Take it out', () => { if (at >= 0) change(() => { points.splice(at, 1); at = Math.min(at, points.length - 1); }); }),
  button('Undo', () => { if (before.length) { points = JSON.parse(before.pop()); at = Math.min(at, points.length - 1); write(); draw(); tell(); } }),
  button('Wider', () => { radius = Math.min(radius + 1, RADII.length - 1); load(); }),
  button('Closer', () => { radius = Math.max(radius - 1, 0); load(); }),
);
tools.hidden = true;
// The same crew and craft from another place: what is of the usual one goes, and the rest stays.
const elsewhere = button('Another place: clear this, launch from where this phone is', () => {
  for (const one of form.elements) if (/^(launch|landing|waypoint|more_waypoints|title)/.test(one.name)) one.value = '';
  points = []; before = []; at = -1; sheet = null;
  board.replaceChildren();
  tools.hidden = true;
  opener.hidden = false;
  $('[data-here="launch.position"]', form).click();
  changed();
});
const opener = button('Tap the route on the chart', () => { tools.hidden = false; opener.hidden = true; load(); });
$('#gpx').parentElement.before(elsewhere, opener, said, board, tools);
