// Plane geometry of outlines, in mm. A ring is an array of [x, y]; its first corner is not repeated.
// x runs along the wall to the right, y up. Nothing here knows of the screen or the picture.

const plus = (a, b) => [a[0] + b[0], a[1] + b[1]];
const minus = (a, b) => [a[0] - b[0], a[1] - b[1]];
const times = (a, k) => [a[0] * k, a[1] * k];
const cross = (a, b) => a[0] * b[1] - a[1] * b[0];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1];
const distance = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
const unit = (a) => times(a, 1 / (Math.hypot(a[0], a[1]) || 1));
const wrapped = (i, n) => ((i % n) + n) % n;
const between = (v, low, high) => Math.min(Math.max(v, low), high);

/** Corners as files hold them: a hundred-thousandth of a millimetre. */
function exact(ring) {
  return ring.map(([x, y]) => [Math.round(x * 1e5) / 1e5, Math.round(y * 1e5) / 1e5]);
}

function sameRing(a, b) {
  return a.length === b.length && a.every((p, i) => Math.abs(p[0] - b[i][0]) + Math.abs(p[1] - b[i][1]) < 4e-6);
}

function boundsOf(ring) {
  let [left, low, right, high] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const [x, y] of ring) {
    left = Math.min(left, x); right = Math.max(right, x);
    low = Math.min(low, y); high = Math.max(high, y);
  }
  return { left, low, right, high };
}

function areaOf(ring) {
  let sum = 0;
  for (let i = 0; i < ring.length; i++) sum += cross(ring[i], ring[(i + 1) % ring.length]);
  return sum / 2;
}

function perimeterOf(ring) {
  return ring.reduce((sum, p, i) => sum + distance(p, ring[(i + 1) % ring.length]), 0);
}

/** The place `length` along the ring from corner `index`, and the corner that would come next that way. */
function walked(ring, index, length, way) {
  const n = ring.length;
  let here = wrapped(index, n);
  for (let rest = length, k = 0; k <= 2 * n; k++) {
    const next = wrapped(here + way, n), side = distance(ring[here], ring[next]);
    if (rest <= side) {
      const share = side > 0 ? rest / side : 0;
      return { point: plus(ring[here], times(minus(ring[next], ring[here]), share)), next };
    }
    rest -= side;
    here = next;
  }
  return { point: ring[here], next: wrapped(here + way, n) };
}

/** The nearest place on a ring: on the side that begins at corner `index`. */
function nearestOn(ring, p) {
  let best = { index: 0, point: ring[0], far: Infinity };
  for (let i = 0; i < ring.length; i++) {
    const a = ring[i], side = minus(ring[(i + 1) % ring.length], a), long = dot(side, side);
    const share = long > 0 ? between(dot(minus(p, a), side) / long, 0, 1) : 0;
    const point = plus(a, times(side, share)), far = distance(p, point);
    if (far < best.far) best = { index: i, point, far };
  }
  return best;
}

function nearestCorner(ring, p) {
  let best = { index: 0, far: Infinity };
  ring.forEach((q, index) => {
    const far = distance(p, q);
    if (far < best.far) best = { index, far };
  });
  return best;
}

function insideRing(ring, [x, y]) {
  let odd = false;
  for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
    const [ax, ay] = ring[i], [bx, by] = ring[j];
    if (ay > y !== by > y && x < ((bx - ax) * (y - ay)) / (by - ay) + ax) odd = !odd;
  }
  return odd;
}

/** Where a ring crosses itself first, or null. */
function selfCrossing(ring) {
  const n = ring.length;
  for (let i = 0; i < n; i++) {
    const a = ring[i], ab = minus(ring[(i + 1) % n], a);
    for (let j = i + 2; j < n; j++) {
      if (i === 0 && j === n - 1) continue; // neighbours share a corner
      const c = ring[j], cd = minus(ring[(j + 1) % n], c), flat = cross(ab, cd);
      if (Math.abs(flat) < 1e-14) continue;
      const ac = minus(c, a), s = cross(ac, cd) / flat, t = cross(ac, ab) / flat;
      if (s >= 0 && s <= 1 && t >= 0 && t <= 1) return plus(a, times(ab, s));
    }
  }
  return null;
}

/** Corner numbers from `from` on to `to`, both with them. */
function runOf(ring, from, to) {
  const run = [];
  for (let i = from; ; i = (i + 1) % ring.length) {
    run.push(i);
    if (i === to || run.length > ring.length) return run;
  }
}

/** The shorter way from one corner to another, as [first, last] in the ring's own sense. */
function shorterRun(ring, a, b) {
  const length = (i, j) => {
    const run = runOf(ring, i, j);
    return run.slice(1).reduce((sum, k, m) => sum + distance(ring[run[m]], ring[k]), 0);
  };
  return length(a, b) <= length(b, a) ? [a, b] : [b, a];
}

/** Unit vector along the ring at a corner, from places `reach` before and after it. */
function tangentAt(ring, index, reach) {
  const far = Math.min(reach, perimeterOf(ring) / 8);
  return unit(minus(walked(ring, index, far, 1).point, walked(ring, index, far, -1).point));
}

/** The corners moved by `by`; those within `reach` along the outline follow, less the farther they are. */
function pulled(ring, run, by, reach) {
  const out = ring.map((p) => p), moved = new Set(run), n = ring.length;
  for (const i of run) out[i] = plus(ring[i], by);
  for (const [start, way] of [[run[0], -1], [run[run.length - 1], 1]]) {
    for (let i = start, gone = 0; reach > 0; ) {
      const next = wrapped(i + way, n);
      gone += distance(ring[i], ring[next]);
      if (gone >= reach || moved.has(next)) break;
      moved.add(next);
      out[next] = plus(ring[next], times(by, 0.5 + 0.5 * Math.cos((Math.PI * gone) / reach)));
      i = next;
    }
  }
  return out;
}

function straightened(ring, from, to) {
  const inner = new Set(runOf(ring, from, to).slice(1, -1));
  return ring.filter((_, i) => !inner.has(i));
}

/** Ripples taken out without shrinking (Taubin's two-step smoothing, 1995; weights from memory). */
function smoothed(ring, run, passes = 6) {
  let now = ring;
  const whole = run.length >= ring.length, moving = whole ? run : run.slice(1, -1);
  for (let pass = 0; pass < passes; pass++) {
    for (const weight of [0.5, -0.53]) {
      const next = now.map((p) => p);
      for (const i of moving) {
        const a = now[wrapped(i - 1, now.length)], b = now[(i + 1) % now.length];
        const near = 1 / (distance(a, now[i]) + 1e-9), far = 1 / (distance(b, now[i]) + 1e-9); // nearer counts more
        const middle = times(plus(times(a, near), times(b, far)), 1 / (near + far));
        next[i] = plus(now[i], times(minus(middle, now[i]), weight));
      }
      now = next;
    }
  }
  return now;
}

/** A stretch replaced by the arc of a radius that touches the outline before and after it; null if none fits. */
function roundedOff(ring, first, last, radius) {
  const limit = Math.min(perimeterOf(ring) / 3, 12 * radius + 2), step = Math.max(radius / 50, 0.01);
  const reach = Math.max(0.15, radius / 5);
  for (let gone = first === last ? step : 0; gone < limit; gone += step) {
    const back = walked(ring, first, gone, -1), on = walked(ring, last, gone, 1);
    const into = unit(minus(back.point, walked(ring, first, gone + reach, -1).point));
    const away = unit(minus(walked(ring, last, gone + reach, 1).point, on.point));
    const turn = Math.atan2(cross(into, away), dot(into, away));
    if (Math.abs(turn) < 0.03 || Math.abs(turn) > 3.1) continue;
    const ahead = cross(minus(on.point, back.point), away) / cross(into, away);
    const tip = plus(back.point, times(into, ahead));
    const touch = radius * Math.tan(Math.abs(turn) / 2), after = dot(minus(on.point, tip), away);
    if (ahead < touch || after < touch) continue;
    const side = turn > 0 ? [-into[1], into[0]] : [into[1], -into[0]];
    const start = minus(tip, times(into, touch)), centre = plus(start, times(side, radius));
    const sag = 2 * Math.acos(Math.max(0, 1 - 0.001 / radius)), count = Math.max(3, Math.ceil(Math.abs(turn) / sag));
    const arc = [];
    for (let k = 0; k <= count; k++) {
      const angle = (turn * k) / count, c = Math.cos(angle), s = Math.sin(angle), arm = minus(start, centre);
      arc.push(plus(centre, [c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]]));
    }
    const kept = runOf(ring, on.next, back.next).map((i) => ring[i]);
    return withoutStraights([back.point, ...arc, on.point, ...kept], new Set(kept));
  }
  return null;
}

/** Corners that lie on the line of their neighbours left out, except those in `stay`. */
function withoutStraights(ring, stay) {
  const apart = ring.filter((p, i) => distance(ring[wrapped(i - 1, ring.length)], p) > 1e-6);
  return apart.filter((p, i) => {
    const a = apart[wrapped(i - 1, apart.length)], b = apart[(i + 1) % apart.length];
    return stay.has(p) || nearestOn([a, b], p).far > 1e-4;
  });
}

/** The part of a ring on one side of a line; null unless the line crosses it exactly twice. */
function partBeside(ring, at, way, side) {
  const high = ring.map((p) => side * cross(way, minus(p, at))), out = [];
  let crossings = 0;
  for (let i = 0; i < ring.length; i++) {
    const j = (i + 1) % ring.length;
    if (high[i] > 0) out.push(ring[i]);
    if (high[i] > 0 !== high[j] > 0) {
      crossings += 1;
      out.push(plus(ring[i], times(minus(ring[j], ring[i]), high[i] / (high[i] - high[j]))));
    }
  }
  return crossings === 2 && out.length > 2 ? out : null;
}

/** Both sides of a bridge of `width` along a line through a window's rings; null if it does not go across. */
function bridged(rings, a, b, width) {
  const way = unit(minus(b, a)), aside = [-way[1], way[0]], found = [];
  for (const side of [1, -1]) {
    const at = plus(a, times(aside, (side * width) / 2)), part = partBeside(rings[0], at, way, side);
    if (!part) return null;
    found.push([part]);
    for (const hole of rings.slice(1)) {
      const high = hole.map((p) => side * cross(way, minus(p, at)));
      if (high.every((h) => h > 0)) found[found.length - 1].push(hole);
      else if (high.some((h) => h > 0)) return null; // the bridge runs into an island
    }
  }
  return found;
}

const mirrored = (ring) => ring.map(([x, y]) => [-x, y]).reverse();

/** Value at `x` of a table of rising `xs`, linear between; NaN outside. */
function looked(xs, ys, x) {
  if (!(x >= xs[0] && x <= xs[xs.length - 1])) return NaN;
  let low = 0, high = xs.length - 1;
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (xs[middle] <= x) low = middle; else high = middle;
  }
  return ys[low] + ((ys[high] - ys[low]) * (x - xs[low])) / (xs[high] - xs[low] || 1);
}
