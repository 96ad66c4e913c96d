// Steps back and forward, and what is kept in the browser until the job has it.
// A step holds only what changed, so that hundreds fit into the few megabytes that a browser gives.

const MOST_STEPS = 400;

/** What differs between two states, able to go both ways. */
function changesBetween(before, after) {
  const changes = [], old = new Map(before.map((w, i) => [w.id, [w, i]])), now = new Set(after.map((w) => w.id));
  before.forEach((w, i) => { if (!now.has(w.id)) changes.push({ id: w.id, at: i, was: w, is: null }); });
  after.forEach((w, i) => {
    const was = old.get(w.id)?.[0];
    if (!was) { changes.push({ id: w.id, at: i, was: null, is: w }); return; }
    if (was === w) return;
    const plain = was.rings.length === w.rings.length && ["name", "kind", "stage"].every((k) => was[k] === w[k]);
    if (!plain) { changes.push({ id: w.id, at: i, was, is: w }); return; }
    w.rings.forEach((ring, number) => {
      const from = was.rings[number], least = Math.min(from.length, ring.length);
      const same = (p, q) => p === q || (p[0] === q[0] && p[1] === q[1]);
      let head = 0, tail = 0;
      while (head < least && same(from[head], ring[head])) head++;
      while (tail < least - head && same(from[from.length - 1 - tail], ring[ring.length - 1 - tail])) tail++;
      const out = from.slice(head, from.length - tail), put = ring.slice(head, ring.length - tail);
      if (out.length || put.length) changes.push({ id: w.id, ring: number, head, out, put });
    });
  });
  return changes;
}

/** The state with a step's changes made, or unmade. */
function withChanges(windows, changes, back) {
  let now = windows.slice();
  for (const change of back ? changes.slice().reverse() : changes) {
    const place = now.findIndex((w) => w.id === change.id);
    if (change.ring === undefined) {
      const put = back ? change.was : change.is;
      if (place >= 0) now.splice(place, 1);
      if (put) now.splice(Math.min(change.at, now.length), 0, put);
      continue;
    }
    const [out, put] = back ? [change.put, change.out] : [change.out, change.put];
    const w = now[place], rings = w.rings.slice();
    rings[change.ring] = rings[change.ring].slice();
    rings[change.ring].splice(change.head, out.length, ...put);
    now[place] = { ...w, rings };
  }
  return now;
}

function sameWindows(a, b) {
  return a.length === b.length && a.every((w, i) => {
    const v = b[i];
    return w.id === v.id && w.kind === v.kind && w.rings.length === v.rings.length
      && w.rings.every((ring, k) => sameRing(ring, v.rings[k]));
  });
}

class Steps {
  constructor(back = [], on = []) { this.back = back; this.on = on; }
  add(changes, words) {
    this.back.push({ changes, words });
    if (this.back.length > MOST_STEPS) this.back.shift();
    this.on = [];
  }
  undo(windows) {
    const step = this.back.pop();
    this.on.push(step);
    return [withChanges(windows, step.changes, true), step.words];
  }
  redo(windows) {
    const step = this.on.pop();
    this.back.push(step);
    return [withChanges(windows, step.changes, false), step.words];
  }
}

/** The browser's own copy, by job and picture. A browser may refuse to keep anything: then it says so. */
class Keep {
  constructor(name) { this.name = `portmap outlines ${name}`; this.refused = ""; }
  read() {
    try { return JSON.parse(localStorage.getItem(this.name) ?? "null"); }
    catch (error) { this.refused = String(error.message ?? error); return null; }
  }
  write(entry) {
    for (const steps of [MOST_STEPS, 120, 20, 0]) { // rather fewer steps back than no copy
      const short = { ...entry, back: steps ? entry.back.slice(-steps) : [], on: steps ? entry.on.slice(-steps) : [] };
      try {
        localStorage.setItem(this.name, JSON.stringify(short));
        this.refused = "";
        return true;
      } catch (error) { this.refused = String(error.message ?? error); }
    }
    return false;
  }
}
