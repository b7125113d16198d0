'use strict';
// The route: from a GPX file, or by tapping on the chart.
const { $, $$, el, ask, field, form, changed, button } = self.ramp;

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
