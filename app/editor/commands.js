// What the buttons do. Each command is one step that can be taken back.

const TOOLS = ["shape", "move", "add", "draw", "bridge", "measure"];
const PULLS_MM = [0, 0.5, 1, 2, 4, 8];

const Commands = {
  window() { return this.windows.find((w) => w.id === this.chosen?.id); },

  choose(id, ring = 0, corner = null) {
    const name = this.chosen?.id;
    this.chosen = id === null ? null : { id, ring, from: corner, to: corner };
    this.redraw(name !== id);
    this.refreshButtons();
  },

  chooseRun(a, b) {
    const [from, to] = shorterRun(this.window().rings[this.chosen.ring], a, b);
    this.chosen = { ...this.chosen, from, to };
    this.say("run.chosen", { count: this.runCorners().length });
    this.redraw();
    this.refreshButtons();
  },

  /** The chosen corners' numbers; empty if the whole outline is meant. */
  runCorners() {
    const ring = this.window()?.rings[this.chosen.ring];
    if (!ring || this.chosen.from === null) return [];
    return runOf(ring, Math.min(this.chosen.from, ring.length - 1), Math.min(this.chosen.to, ring.length - 1));
  },

  pullReach() { return Number(this.fields.pull.value); },

  setRings(id, rings) {
    this.windows = this.windows.map((w) => (w.id === id ? { ...w, rings } : w));
    this.redraw(true);
  },

  setRing(id, number, ring) {
    const rings = this.windows.find((w) => w.id === id).rings.slice();
    rings[number] = ring;
    this.setRings(id, rings);
  },

  useTool(tool) {
    if (this.drag) this.abandon();
    this.tool = tool;
    this.line = null;
    this.cross = null;
    this.picking = false;
    this.stage.dataset.tool = tool;
    this.say(`tool.${tool}.how`);
    this.refreshButtons();
    this.redraw();
  },

  /** Which commands mean something now. */
  possible() {
    const w = this.window(), run = this.runCorners(), corners = w ? w.rings[this.chosen.ring].length : 0;
    return {
      undo: this.steps.back.length > 0, redo: this.steps.on.length > 0,
      fit: true, near: this.windows.length > 0, closer: true, farther: true,
      runto: run.length === 1, straighten: run.length > 2, smooth: !!w, round: run.length > 0,
      onedge: !!w && !!this.picture, mirror: !!w, insert: run.length > 0, cut: !!w,
      remove: run.length > 0 && corners - run.length >= 3, discard: !!w, close: this.line?.length > 2,
    };
  },

  run(command) {
    if (!this.possible()[command]) { this.say(`not.${command}`); return; }
    const before = this.windows;
    if (command === "undo" || command === "redo") { this.stepTo(command); return; }
    if (command === "fit" || command === "near") { this.fit(command === "near"); return; }
    if (command === "closer" || command === "farther") {
      this.zoom(command === "closer" ? 1.5 : 1 / 1.5, [this.size[0] / 2, this.size[1] / 2]);
      return;
    }
    if (command === "runto") {
      this.picking = !this.picking;
      this.say(this.picking ? "run.pick" : "tool.shape.how");
      this.refreshButtons();
      return;
    }
    if (command === "close") { this.closeDrawn(); return; }
    if (this[`do_${command}`]() !== false) this.keepStep(before, `step.${command}`);
    this.refreshButtons();
    this.redraw(true);
  },

  stepTo(which) {
    if (this.drag) this.abandon();
    const [windows, words] = this.steps[which](this.windows);
    this.windows = windows;
    const w = this.window();
    if (!w) this.chosen = null;
    else if (!w.rings[this.chosen.ring]) this.choose(w.id, 0, null);
    else if (this.chosen.from >= w.rings[this.chosen.ring].length || this.chosen.to >= w.rings[this.chosen.ring].length) this.choose(w.id, this.chosen.ring, null);
    this.findFaults();
    this.handOver();
    this.say(which === "undo" ? "undone" : "redone", { what: this.words[words] ?? words });
    this.refreshButtons();
    this.redraw(true);
  },

  do_straighten() {
    const { id, ring, from, to } = this.chosen, old = this.window().rings[ring];
    const now = straightened(old, from, to);
    if (now.length < 3) { this.say("not.straighten"); return false; }
    this.setRing(id, ring, now);
    this.choose(id, ring, now.indexOf(old[from]));
  },

  do_smooth() {
    const { id, ring } = this.chosen, old = this.window().rings[ring], run = this.runCorners();
    this.setRing(id, ring, smoothed(old, run.length > 2 ? run : old.map((_, i) => i)));
  },

  do_round() {
    const { id, ring, from, to } = this.chosen, radius = this.length("radius");
    if (!(radius > 0)) { this.say("not.radius"); return false; }
    const now = roundedOff(this.window().rings[ring], from, to, radius);
    if (!now || now.length < 3) { this.say("not.round", { radius: radius.toFixed(2) }); return false; }
    this.setRing(id, ring, now);
    this.choose(id, ring, null);
  },

  /** Every chosen corner, or the whole outline, laid on the picture's edge near it. */
  do_onedge() {
    const { id, ring } = this.chosen, old = this.window().rings[ring], run = this.runCorners();
    const which = run.length ? run : old.map((_, i) => i);
    let found = 0;
    const now = old.map((p) => p);
    for (const i of which) {
      const place = this.onEdge(old[i], this.normalAt(old, i), EDGE_PX / this.view.scale);
      if (place) { now[i] = place; found += 1; }
    }
    this.say("onedge.done", { found, of: which.length });
    if (!found) return false;
    this.setRing(id, ring, now);
  },

  /** The mirror image of the chosen window, in place of the one of its kind that stands there. */
  do_mirror() {
    const w = this.window(), rings = w.rings.map(mirrored), box = boundsOf(rings[0]);
    const middle = [(box.left + box.right) / 2, (box.low + box.high) / 2];
    const there = this.windows.find((v) => {
      const b = boundsOf(v.rings[0]);
      return v.id !== w.id && v.kind === w.kind && Math.abs((b.left + b.right) / 2 - middle[0]) < (box.right - box.left) / 2
        && Math.abs((b.low + b.high) / 2 - middle[1]) < (box.high - box.low) / 2;
    });
    if (there) this.setRings(there.id, rings);
    else this.windows = [...this.windows, { ...w, id: this.freeId(w.id), rings }];
    this.say(there ? "mirrored.onto" : "mirrored.new", { name: w.name });
  },

  do_insert() {
    const { id, ring, from } = this.chosen, now = this.window().rings[ring].slice();
    now.splice(from + 1, 0, times(plus(now[from], now[(from + 1) % now.length]), 0.5));
    this.setRing(id, ring, now);
    this.choose(id, ring, from + 1);
  },

  do_remove() {
    const { id, ring, from } = this.chosen, gone = new Set(this.runCorners());
    const now = this.window().rings[ring].filter((_, i) => !gone.has(i));
    this.setRing(id, ring, now);
    this.choose(id, ring, wrapped(from, now.length));
  },

  do_discard() {
    const { id, ring } = this.chosen, w = this.window();
    if (ring > 0) this.setRings(id, w.rings.filter((_, k) => k !== ring)); // an island alone
    else this.windows = this.windows.filter((v) => v.id !== id);
    this.choose(ring > 0 ? id : null);
  },

  /** A bridge straight up and down, through the chosen corner or the middle. */
  do_cut() {
    const w = this.window(), box = boundsOf(w.rings[0]), run = this.runCorners();
    const x = run.length ? w.rings[this.chosen.ring][run[0]][0] : (box.left + box.right) / 2;
    return this.cutAlong([x, box.low], [x, box.high]);
  },

  cutAlong(a, b) {
    const w = this.window(), width = this.length("bridgewidth");
    if (!(width > 0)) { this.say("not.bridgewidth"); return false; }
    const parts = w && bridged(w.rings, a, b, width);
    if (!parts) { this.say("not.bridge"); return false; }
    const index = this.windows.indexOf(w), now = this.windows.slice();
    now.splice(index, 1, { ...w, rings: parts[0] }, { ...w, id: this.freeId(w.id), rings: parts[1] });
    this.windows = now;
    this.choose(w.id);
    this.say("bridge.done", { width: width.toFixed(2) });
  },

  freeId(id) {
    const stem = id.replace(/\+\d+$/, ""), used = new Set([...this.windows, ...this.everMade].map((w) => w.id ?? w));
    let number = 2;
    while (used.has(`${stem}+${number}`)) number += 1;
    this.everMade.add(`${stem}+${number}`);
    return `${stem}+${number}`;
  },

  /** A line drawn by two points: a bridge is cut along it, a measurement is shown and told. */
  endLine() {
    if (this.tool === "bridge") {
      const before = this.windows, [a, b] = this.line;
      const upright = Math.abs(b[0] - a[0]) < 0.09 * Math.abs(b[1] - a[1]); // within 5 degrees
      this.line = null;
      this.cross = null;
      if (this.cutAlong(a, upright ? [a[0], b[1]] : b) !== false) this.keepStep(before, "step.cut");
    } else {
      this.tellLine();
      this.send("measure", { from: this.line[0], to: this.line[1] });
    }
    this.refreshButtons();
  },

  closeDrawn() {
    const before = this.windows, ring = areaOf(this.line) < 0 ? this.line.slice().reverse() : this.line;
    this.line = null;
    this.cross = null;
    const into = this.window();
    if (into && ring.every((p) => insideRing(into.rings[0], p))) { // drawn inside a window: metal
      this.setRings(into.id, [...into.rings, ring.reverse()]);
      this.keepStep(before, "step.island");
    } else {
      const id = this.freeId("drawn");
      this.windows = [...this.windows, { id, name: this.words["drawn.name"], kind: "other", stage: this.windows[0]?.stage ?? "stock", rings: [ring] }];
      this.choose(id);
      this.keepStep(before, "step.drawn");
    }
    this.useTool("shape");
  },

  /** What stands in a field, in mm, whatever the unit it was typed in. */
  length(field) { return Number(String(this.fields[field].value).replace(",", ".")) / this.unit.per_mm; },

  /** A length as it is shown: with its unit's digits, without the unit. */
  shown(mm) { return (mm * this.unit.per_mm).toFixed(this.unit.digits); },

  /** Show and take lengths in another unit; what stands in the fields stays as long as it is. */
  useUnit(unit) {
    if (unit.name === this.unit.name) return;
    const fields = ["radius", "bridgewidth"].filter((name) => this.fields[name]), lengths = fields.map((name) => this.length(name));
    this.unit = unit;
    fields.forEach((name, k) => { if (Number.isFinite(lengths[k])) this.fields[name].value = String(Number((lengths[k] * unit.per_mm).toPrecision(3))); });
    for (const node of this.root.querySelectorAll("label span.unit")) node.textContent = unit.name;
    for (const option of this.fields.pull?.options ?? []) if (Number(option.value)) option.textContent = this.pullWords(Number(option.value));
    this.scalesDrawn = null;
  },

  pullWords(mm) { return `${Number((mm * this.unit.per_mm).toPrecision(2))} ${this.unit.name}`; },

  /** Take the gesture's or command's change as one step, keep it in the browser, hand it to the program. */
  keepStep(before, words) {
    this.windows = this.windows.map((w) => (before.includes(w) ? w : { ...w, rings: w.rings.map(exact) }));
    const changes = changesBetween(before, this.windows);
    if (!changes.length) return;
    this.steps.add(changes, words);
    this.findFaults(before);
    this.handOver();
    this.refreshButtons();
  },

  findFaults(before = []) {
    for (const w of this.windows) {
      if (before.includes(w)) continue;
      const place = w.rings.map(selfCrossing).find((p) => p);
      if (place) this.faults.set(w.id, place); else this.faults.delete(w.id);
    }
    const faulty = this.windows.find((w) => this.faults.has(w.id));
    if (faulty) {
      const [x, y] = this.faults.get(faulty.id);
      this.say("crosses", { name: faulty.name, x: x.toFixed(2), y: y.toFixed(2) });
    }
  },
};
