// Fingers, mouse and keys. A gesture changes the outlines as it goes and becomes one step when it ends.

const GRAB = { mouse: 11, pen: 16, touch: 28 }; // how near a corner must be taken hold of, in screen pixels
const STILL_PX = 5; // less is a tap
const LINE_PX = 7; // how near datum and centre line draw a point to them
const EDGE_PX = 14; // how far along the normal the picture's edge is looked for, in screen pixels
const TWICE_MS = 350;

const Gestures = {
  listen() {
    const on = (node, kind, does, options) => {
      node.addEventListener(kind, does, options);
      this.offs.push(() => node.removeEventListener(kind, does, options));
    };
    on(this.stage, "pointerdown", (e) => this.down(e));
    on(this.stage, "pointermove", (e) => this.move(e));
    on(this.stage, "pointerup", (e) => this.up(e));
    on(this.stage, "pointercancel", (e) => this.lost(e));
    on(this.stage, "pointerleave", (e) => { if (e.pointerType === "mouse" && !this.drag) { this.pointer = null; this.redraw(); } });
    on(this.stage, "dblclick", (e) => e.preventDefault());
    on(this.stage, "contextmenu", (e) => e.preventDefault());
    on(this.stage, "wheel", (e) => {
      e.preventDefault();
      e.stopPropagation();
      const lines = e.deltaMode === 1 ? 18 : e.deltaMode === 2 ? 240 : 1;
      this.zoom(Math.exp(-between(e.deltaY * lines, -240, 240) * 0.0022), this.placeOf(e));
    }, { passive: false });
    for (const kind of ["keydown", "keyup", "keypress"]) on(this.root, kind, (e) => e.stopPropagation());
    on(this.stage, "keydown", (e) => this.key(e));
    on(this.root, "keydown", (e) => this.anywhere(e));
  },

  placeOf(e) {
    const box = this.stage.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  },

  down(e) {
    if (e.button > 1) return;
    this.stage.focus({ preventScroll: true });
    this.stage.setPointerCapture(e.pointerId);
    const at = this.placeOf(e);
    this.fingers.set(e.pointerId, at);
    if (this.fingers.size === 2) { this.beginPinch(); return; }
    if (this.fingers.size > 2) return;
    const touch = e.pointerType !== "mouse", grab = GRAB[e.pointerType] ?? GRAB.mouse;
    this.pointer = { at, touch };
    this.drag = { kind: "pan", start: at, last: at, still: true, touch, before: this.windows };
    if (e.button === 1) { this.drag.still = false; this.redraw(); return; }
    const p = this.toWall(at);
    if (this.tool === "measure" || this.tool === "bridge") this.beginLine(p, grab);
    else if (this.tool === "move" && this.window() && insideRing(this.window().rings[0], p)) this.drag.kind = "outline";
    else if (this.tool === "shape" || this.tool === "add") this.beginCorner(p, grab, e);
    this.redraw();
  },

  beginPinch() {
    if (this.drag && this.drag.kind !== "pinch") this.abandon();
    const [a, b] = [...this.fingers.values()];
    this.drag = { kind: "pinch", middle: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], apart: Math.hypot(a[0] - b[0], a[1] - b[1]) };
  },

  /** Take hold of a corner of the chosen outline; with nothing there the drag moves the picture. */
  beginCorner(p, grab, e) {
    const w = this.window(), reach = grab / this.view.scale;
    if (!w) return;
    const adding = this.tool === "add" || this.twice(this.drag.start);
    let best = null;
    w.rings.forEach((ring, number) => {
      const found = nearestCorner(ring, p); // who wants a new corner means an old one only right on it
      if (found.far < (best?.far ?? (adding ? reach / 3 : reach))) best = { ...found, ring: number };
    });
    if (best) {
      const run = this.chosen.ring === best.ring ? this.runCorners() : [];
      if (e.shiftKey || this.picking) {
        if (this.chosen.from !== null && this.chosen.ring === best.ring) this.chooseRun(this.chosen.from, best.index);
        else this.choose(w.id, best.ring, best.index);
        this.picking = false;
        this.drag.kind = "none";
        return;
      }
      const held = run.length > 1 && run.includes(best.index) ? run : [best.index];
      if (held.length === 1) this.choose(w.id, best.ring, best.index);
      Object.assign(this.drag, { kind: "corner", run: held, ring: best.ring, from: w.rings[best.ring], grip: minus(w.rings[best.ring][best.index], p), index: best.index, loupe: w.rings[best.ring][best.index] });
      return;
    }
    if (adding) this.beginAdded(w, p, reach);
  },

  twice(at) {
    const now = performance.now(), last = this.tapped;
    return !!last && now - last.when < TWICE_MS && Math.hypot(at[0] - last.at[0], at[1] - last.at[1]) < 24;
  },

  /** A new corner on the side under the finger, held at once. */
  beginAdded(w, p, reach) {
    let best = null;
    w.rings.forEach((ring, number) => {
      const found = nearestOn(ring, p);
      if (found.far < (best?.far ?? reach)) best = { ...found, ring: number };
    });
    if (!best) return;
    const ring = w.rings[best.ring].slice();
    ring.splice(best.index + 1, 0, best.point);
    this.setRing(w.id, best.ring, ring);
    this.choose(w.id, best.ring, best.index + 1);
    Object.assign(this.drag, { kind: "corner", run: [best.index + 1], ring: best.ring, from: ring, grip: minus(best.point, p), index: best.index + 1, added: true, loupe: best.point });
  },

  beginLine(p, grab) {
    const near = (this.line ?? []).findIndex((q) => distance(p, q) < grab / this.view.scale);
    if (this.tool === "measure" && near >= 0) Object.assign(this.drag, { kind: "line", end: near, grip: minus(this.line[near], p), loupe: this.line[near] });
    else Object.assign(this.drag, { kind: "line", end: 1, fresh: p, grip: [0, 0], loupe: p });
  },

  move(e) {
    const at = this.placeOf(e), drag = this.drag;
    if (this.fingers.has(e.pointerId)) this.fingers.set(e.pointerId, at);
    if (drag?.kind === "pinch") { this.pinch(); return; }
    this.pointer = { at, touch: e.pointerType !== "mouse" };
    if (!drag || !this.fingers.has(e.pointerId)) { this.tell(this.toWall(at)); this.redraw(); return; }
    if (drag.still && Math.hypot(at[0] - drag.start[0], at[1] - drag.start[1]) < STILL_PX) return;
    if (drag.still && drag.kind === "line" && drag.fresh) this.line = [this.caught(drag.fresh, e), drag.fresh];
    drag.still = false;
    const p = this.toWall(at);
    if (drag.kind === "corner") this.dragCorner(plus(p, drag.grip), e);
    else if (drag.kind === "outline") this.dragOutline(minus(p, this.toWall(drag.start)));
    else if (drag.kind === "line") {
      this.line = this.line.map((q, i) => (i === drag.end ? this.caught(plus(p, drag.grip), e) : q));
      drag.loupe = this.line[drag.end];
      this.tellLine();
    } else if (drag.kind === "pan") this.pan(at[0] - drag.last[0], at[1] - drag.last[1]);
    drag.last = at;
    this.redraw();
  },

  pinch() {
    if (this.fingers.size < 2) return;
    const [a, b] = [...this.fingers.values()], drag = this.drag;
    const middle = [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2], apart = Math.hypot(a[0] - b[0], a[1] - b[1]);
    this.pan(middle[0] - drag.middle[0], middle[1] - drag.middle[1]);
    this.zoom(apart / (drag.apart || 1), middle);
    Object.assign(drag, { middle, apart });
  },

  dragCorner(p, e) {
    const drag = this.drag, start = drag.from[drag.index];
    let to = p;
    if (drag.run.length === 1) to = this.caught(p, e, this.normalAt(drag.from, drag.index));
    drag.loupe = to;
    this.moving();
    this.setRing(this.chosen.id, drag.ring, pulled(drag.from, drag.run, minus(to, start), this.pullReach()));
    this.tell(to);
  },

  dragOutline(by) {
    const w = this.drag.before.find((v) => v.id === this.chosen.id);
    this.moving();
    this.setRings(w.id, w.rings.map((ring) => ring.map((p) => plus(p, by))));
    this.tell(this.toWall(this.pointer.at));
  },

  normalAt(ring, index) {
    const along = tangentAt(ring, index, Math.max(0.4, 6 / this.view.scale));
    return [along[1], -along[0]];
  },

  /** A point drawn to the picture's edge, to the datum or the centre line, if that is on and one is near. */
  caught(p, e, normal = null) {
    this.caughtBy = "";
    if (e?.altKey) return p;
    let [x, y] = p;
    if (this.sticky.edge && normal && this.picture) {
      const found = this.onEdge(p, normal, EDGE_PX / this.view.scale);
      if (found) { [x, y] = found; this.caughtBy = "edge"; }
    }
    if (this.sticky.lines && this.scaled) {
      const near = LINE_PX / this.view.scale;
      if (Math.abs(y) < near) { y = 0; this.caughtBy = "datum"; }
      if (Math.abs(x) < near) { x = 0; this.caughtBy = this.caughtBy === "datum" ? "both" : "centre"; }
    }
    return [x, y];
  },

  /** The picture's edge nearest to a place along a normal, in mm; null if there is none within `reach` mm. */
  onEdge(p, normal, reach) {
    const step = this.picture.mm_per_px;
    try {
      const far = this.edges.offset(this.toPixel(p), [normal[0], -normal[1]], Math.max(reach / step, 3));
      return far === null ? null : plus(p, times(normal, far * step));
    } catch (error) {
      this.sticky.edge = false;
      this.say("edge.refused", { why: error.message });
      this.refreshButtons();
      return null;
    }
  },

  up(e) {
    const at = this.placeOf(e), drag = this.drag;
    this.fingers.delete(e.pointerId);
    if (drag?.kind === "pinch") { if (this.fingers.size === 0) this.drag = null; return; }
    this.drag = null;
    if (!drag) return;
    if (drag.still) this.tap(at, drag, e);
    else if (drag.kind === "corner") this.keepStep(drag.before, drag.added ? "step.added" : "step.corner");
    else if (drag.kind === "outline") this.keepStep(drag.before, "step.moved");
    else if (drag.kind === "line") this.endLine();
    this.redraw(true);
  },

  tap(at, drag, e) {
    const p = this.toWall(at);
    if (drag.added) { this.keepStep(drag.before, "step.added"); this.tapped = null; return; }
    this.tapped = { at, when: performance.now() };
    if (drag.kind === "corner" || drag.kind === "none") { this.refreshButtons(); return; }
    if (this.tool === "measure" || this.tool === "bridge" || this.tool === "draw") { this.put(this.caught(p, e)); return; }
    const near = (GRAB[e.pointerType] ?? GRAB.mouse) / this.view.scale;
    const hits = this.windows.filter((w) => insideRing(w.rings[0], p) || w.rings.some((ring) => nearestOn(ring, p).far < near));
    hits.sort((a, b) => Math.abs(areaOf(a.rings[0])) - Math.abs(areaOf(b.rings[0])));
    if (hits.length) this.choose(hits[0].id, 0, null);
    else this.choose(null);
  },

  lost(e) {
    this.fingers.delete(e.pointerId);
    this.abandon();
    this.drag = null;
    this.redraw(true);
  },

  /** Undo what a gesture has changed so far. */
  abandon() {
    const drag = this.drag;
    if (!drag || drag.kind === "pinch") return;
    if (drag.before) this.windows = drag.before;
    if (drag.added) this.choose(this.chosen.id, this.chosen.ring, null);
    if (drag.kind === "line" && drag.fresh) this.line = null;
    this.drag = null;
    this.redraw(true);
  },

  /** A point put by a tap, or by the keyboard's crosshair. */
  put(p) {
    if (this.tool === "draw") {
      if (this.line?.length > 2 && distance(p, this.line[0]) < 14 / this.view.scale) { this.closeDrawn(); return; }
      this.line = [...(this.line ?? []), p];
      this.say("draw.on", { count: this.line.length });
    } else {
      this.line = this.line?.length === 1 ? [this.line[0], p] : [p];
      if (this.line.length === 2) this.endLine();
      else this.say("line.second");
    }
    this.refreshButtons();
    this.redraw();
  },

  key(e) {
    const step = e.shiftKey ? 0.1 : 0.01;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    const pointing = ["measure", "bridge", "draw"].includes(this.tool);
    const done = () => { e.preventDefault(); };
    if (e.ctrlKey || e.metaKey) return;
    if (arrows[e.key]) { done(); this.arrow(arrows[e.key], step, pointing, e); }
    else if (e.key === "Tab" && !pointing) { if (this.nextCorner(e.shiftKey ? -1 : 1)) done(); }
    else if (e.key === "Delete" || e.key === "Backspace") {
      done();
      if (this.tool === "draw" && this.line) { this.line = this.line.length > 1 ? this.line.slice(0, -1) : null; this.redraw(); this.refreshButtons(); }
      else this.run("remove");
    } else if (e.key === "Escape") { done(); this.escape(); }
    else if ((e.key === "Enter" || e.key === " ") && pointing) {
      done();
      if (e.key === "Enter" && this.tool === "draw" && this.line?.length > 2) this.closeDrawn();
      else { this.cross ??= this.middle(); this.put(this.cross); }
    } else if (e.key === "Insert") { done(); this.run("insert"); }
    else if (e.key === "+" || e.key === "=") { done(); this.run("closer"); }
    else if (e.key === "-") { done(); this.run("farther"); }
    else if (e.key === "0") { done(); this.fit(); }
    else if (e.key === "PageDown") { done(); this.nextWindow(1); }
    else if (e.key === "PageUp") { done(); this.nextWindow(-1); }
  },

  /** Keys that hold everywhere in the editor, not in its fields alone. */
  anywhere(e) {
    if (!(e.ctrlKey || e.metaKey) || e.composedPath()[0].tagName === "INPUT") return;
    const key = e.key.toLowerCase();
    if (key === "z" && !e.shiftKey) { e.preventDefault(); this.run("undo"); }
    else if (key === "y" || (key === "z" && e.shiftKey)) { e.preventDefault(); this.run("redo"); }
  },

  arrow(way, step, pointing, e) {
    if (pointing) {
      const px = (e.shiftKey ? 20 : 2) / this.view.scale;
      this.cross = plus(this.cross ?? this.middle(), times(way, px));
      this.show(this.cross);
      this.tell(this.cross);
      this.redraw();
      return;
    }
    const w = this.window();
    if (!w) { this.pan(-way[0] * 40, way[1] * 40); return; }
    const by = times(way, step), before = this.windows, run = this.runCorners();
    if (run.length) {
      this.setRing(w.id, this.chosen.ring, pulled(w.rings[this.chosen.ring], run, by, this.pullReach()));
      this.tell(this.window().rings[this.chosen.ring][run[0]]);
    } else this.setRings(w.id, w.rings.map((ring) => ring.map((p) => plus(p, by))));
    this.keepStep(before, run.length ? "step.corner" : "step.moved");
  },

  middle() { return this.toWall([this.size[0] / 2, this.size[1] / 2]); },

  escape() {
    if (this.drag) this.abandon();
    else if (this.line || this.cross) { this.line = null; this.cross = null; }
    else if (this.picking) this.picking = false;
    else if (this.tool !== "shape") { this.useTool("shape"); return; }
    else if (this.chosen && this.chosen.from !== null) this.choose(this.chosen.id, this.chosen.ring, null);
    else this.choose(null);
    this.refreshButtons();
    this.redraw(true);
  },

  nextCorner(way) {
    const w = this.window();
    if (!w) return false;
    const ring = w.rings[this.chosen.ring];
    let number = this.chosen.ring;
    let next = this.chosen.from === null ? (way > 0 ? 0 : ring.length - 1) : this.chosen.from + way;
    if (next < 0 || next >= ring.length) {
      number = wrapped(number + way, w.rings.length);
      next = way > 0 ? 0 : w.rings[number].length - 1;
    }
    this.choose(w.id, number, next);
    this.show(w.rings[number][next]);
    this.tell(w.rings[number][next], next);
    return true;
  },

  nextWindow(way) {
    if (!this.windows.length) return;
    const here = this.windows.findIndex((w) => w.id === this.chosen?.id);
    const w = this.windows[wrapped(here < 0 ? (way > 0 ? 0 : -1) : here + way, this.windows.length)];
    this.choose(w.id, 0, null);
    this.say("chosen", { name: w.name });
  },
};
