// The outline editor: what it is made of, what it shows in words, and its dealings with the program.
//
// Outlines are in mm on the wall: x to the right, y up. The program gives `windows` and a name `base` for the
// state they were given in; each edit goes back once, when the gesture ends, with a running number `seq`. The
// program answers with the last number it has (`rev`). What it has not confirmed is sent again, and all of
// it stands in the browser's own store as well, so that a reload or a dead server loses nothing.

const AGAIN_MS = 3000;
const APART_MS = 100;

class OutlineEditor {
  constructor(root) {
    this.root = root;
    this.offs = [];
    this.fingers = new Map();
    this.paths = new Map();
    this.faults = new Map();
    this.everMade = new Set();
    this.windows = [];
    this.steps = new Steps();
    this.chosen = this.drag = this.line = this.cross = this.pointer = null;
    this.tool = "shape";
    this.sticky = { edge: true, lines: true };
    this.seq = this.rev = 0;
    this.posted = -Infinity;
    this.size = [0, 0];
    this.view = { scale: 8, left: -40, top: 70 };
    this.words = {};
    this.unit = { name: "mm", per_mm: 1, digits: 2 };
    root.outlineEditor = this;
  }

  say(key, values = {}) {
    const words = this.words[key];
    if (!words) return;
    this.status.textContent = words.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
  }

  /** Where a place is, in the user's unit and degrees, for the line under the picture. */
  tell(p, corner = null) {
    const shown = this.scaled ? `x ${this.shown(p[0])} ${this.unit.name}, ${this.words.height} ${this.shown(p[1])} ${this.unit.name}` : `${p[0].toFixed(1)}, ${(-p[1]).toFixed(1)} px`;
    const angle = this.degreesAt(p[1]);
    const caught = this.drag && this.caughtBy ? `, ${this.words[`caught.${this.caughtBy}`]}` : "";
    const number = corner === null ? "" : `${this.words.corner} ${corner + 1}: `;
    const words = number + shown + (Number.isFinite(angle) ? `, ${angle.toFixed(1)}°` : "") + caught;
    if (corner === null) this.place.textContent = words;
    else { this.place.textContent = words; this.status.textContent = words; }
  }

  degreesAt(height) {
    return this.degrees ? looked(this.degrees.height_mm, this.degrees.opens_deg, height) : NaN;
  }

  tellLine() {
    if (this.tool !== "measure" || this.line?.length !== 2) return;
    const [a, b] = this.line, long = (v) => (this.scaled ? this.shown(v) : v.toFixed(1));
    const words = { length: long(distance(a, b)), across: long(Math.abs(b[0] - a[0])), up: long(Math.abs(b[1] - a[1])), unit: this.scaled ? this.unit.name : "px" };
    const [from, to] = [this.degreesAt(a[1]), this.degreesAt(b[1])];
    if (Number.isFinite(from) && Number.isFinite(to)) {
      this.say("measured.degrees", { ...words, from: from.toFixed(1), to: to.toFixed(1), turn: Math.abs(to - from).toFixed(1) });
    } else this.say("measured", words);
  }

  /** The bars of buttons, in the words that the program gave. */
  build(data) {
    const words = data.words, button = (id, kind) => `<button type="button" data-${kind}="${id}" title="${words[`${id}.help`] ?? ""}">${words[id]}</button>`;
    const field = (id, value) => `<label>${words[id]}<input type="text" inputmode="decimal" data-field="${id}" value="${value}" size="4"><span class="unit">mm</span></label>`;
    const pulls = PULLS_MM.map((mm) => `<option value="${mm}">${mm ? this.pullWords(mm) : words["pull.none"]}</option>`).join("");
    const tools = data.measuring ? ["measure"] : TOOLS;
    this.root.innerHTML = `
      <div class="offer" role="alert" hidden><span></span><button type="button" data-offer="take">${words["offer.take"]}</button><button type="button" data-offer="leave">${words["offer.leave"]}</button></div>
      <div class="bar" role="toolbar" aria-label="${words["bar.tools"]}">
        ${data.measuring ? "" : `${["undo", "redo"].map((c) => button(c, "command")).join("")}<span class="gap"></span>`}
        ${tools.length > 1 ? `${tools.map((t) => button(t, "tool")).join("")}<span class="gap"></span>` : ""}
        ${(data.measuring ? ["fit", "closer", "farther"] : ["fit", "near", "closer", "farther"]).map((c) => button(c, "command")).join("")}
      </div>
      <div class="bar own" role="toolbar" aria-label="${words["bar.outline"]}" ${data.measuring ? "hidden" : ""}>
        <label>${words.window}<select data-field="window"></select></label>
        ${["edge", "lines"].map((c) => button(c, "sticky")).join("")}
        <label>${words.pull}<select data-field="pull">${pulls}</select></label>
        ${["runto", "insert", "remove", "straighten", "smooth", "onedge"].map((c) => button(c, "command")).join("")}
        ${field("radius", "2")}${button("round", "command")}
        ${field("bridgewidth", "3")}${button("cut", "command")}
        ${["mirror", "discard", "close"].map((c) => button(c, "command")).join("")}
      </div>
      <div class="stage" tabindex="0" role="application" aria-label="${words["stage.name"]}" aria-describedby="how" style="height:${data.height}px">
        <img alt="" draggable="false">
        <svg aria-hidden="true"><g class="wall"><g class="halos"></g><g class="outlines"></g></g>
          <path class="datum"></path><g class="names"></g><path class="drawn"></path><g class="ends"></g><path class="crosshair"></path><g class="handles"></g>
          <g class="scale heights"><path class="ground"></path><path class="ticks"></path></g>
          <g class="scale turns"><path class="ground"></path><path class="ticks"></path></g>
          <g class="scale widths"><path class="ground"></path><path class="ticks"></path></g></svg>
        <canvas class="loupe" width="${LOUPE_PX}" height="${LOUPE_PX}" hidden></canvas>
      </div>
      <div class="foot"><span class="place"></span><span class="status" role="status" aria-live="polite"></span><span class="kept"></span></div>
      <p id="how" class="how">${words.how}</p>`;
    const find = (query) => this.root.querySelector(query);
    Object.assign(this, {
      stage: find(".stage"), image: find("img"), wall: find(".wall"), halos: find(".halos"), outlines: find(".outlines"), names: find(".names"),
      datum: find(".datum"), drawn: find(".drawn"), ends: find(".ends"), crosshair: find(".crosshair"), handles: find(".handles"),
      heights: find(".heights"), widths: find(".widths"), turns: find(".turns"), loupe: find(".loupe"),
      status: find(".status"), place: find(".place"), kept: find(".kept"), offer: find(".offer"),
      fields: Object.fromEntries([...this.root.querySelectorAll("[data-field]")].map((n) => [n.dataset.field, n])),
    });
    this.root.addEventListener("click", (e) => this.clicked(e));
    this.fields.window.addEventListener("change", () => { this.choose(this.fields.window.value || null); this.stage.focus({ preventScroll: true }); });
    this.edges = new PictureEdges(this.image);
    this.listen();
    this.watch = new ResizeObserver(() => this.resized());
    this.watch.observe(this.stage);
    if (data.measuring) this.tool = "measure";
    this.stage.dataset.tool = this.tool;
    this.image.addEventListener("load", () => { this.root.dataset.picture = "ready"; this.edges.corner = null; this.redraw(); });
    this.image.addEventListener("error", () => this.say("picture.missing"));
  }

  clicked(e) {
    const node = e.composedPath().find((n) => n.tagName === "BUTTON");
    if (!node) return;
    const { tool, command, sticky, offer } = node.dataset;
    if (tool) this.useTool(tool);
    else if (command) this.run(command);
    else if (sticky) {
      this.sticky[sticky] = !this.sticky[sticky];
      this.say(this.sticky[sticky] ? `${sticky}.on` : `${sticky}.off`);
      this.refreshButtons();
    } else if (offer) this.answerOffer(offer === "take");
  }

  refreshButtons() {
    const can = this.possible();
    for (const node of this.root.querySelectorAll("button[data-command]")) {
      node.setAttribute("aria-disabled", String(!can[node.dataset.command]));
    }
    for (const node of this.root.querySelectorAll("button[data-tool]")) node.setAttribute("aria-pressed", String(node.dataset.tool === this.tool));
    for (const node of this.root.querySelectorAll("button[data-sticky]")) node.setAttribute("aria-pressed", String(this.sticky[node.dataset.sticky]));
    this.root.querySelector("[data-command=runto]")?.setAttribute("aria-pressed", String(!!this.picking));
    const list = this.fields.window, names = this.windows.map((w) => `${w.id}|${w.name}|${w.kind}`).join("\n");
    if (list.dataset.names !== names) {
      list.dataset.names = names;
      list.replaceChildren(new Option(this.words["window.none"], ""), ...this.windows.map((w, i) => new Option(`${i + 1} ${w.name}`, w.id)));
    }
    list.value = this.chosen?.id ?? "";
    Object.assign(this.root.dataset, { steps: this.steps.back.length, ahead: this.steps.on.length, seq: this.seq });
  }

  resized() {
    const box = this.stage.getBoundingClientRect(), first = !this.size[0];
    if (!box.width || !box.height) return;
    this.size = [box.width, box.height];
    if (first || this.fitted) this.fit(first || this.fitted === "outlines");
    this.redraw();
  }

  /** Take what the program gives; a gesture under way is finished first. */
  update(data) {
    if (!this.stage) this.build(data);
    if (this.drag) { this.later = data; setTimeout(() => { if (this.later === data) this.update(data); }, 120); return; }
    this.later = null;
    const other = data.store !== this.store, moved = data.base !== this.base;
    Object.assign(this, { words: data.words, colours: data.colours, degrees: data.degrees, scaled: data.scaled, picture: data.picture });
    this.useUnit(data.unit);
    if (this.picture && this.image.getAttribute("src") !== this.picture.src) {
      this.root.dataset.picture = "coming";
      this.image.src = this.picture.src;
      this.image.style.width = `${this.picture.width_px}px`;
      this.image.style.height = `${this.picture.height_px}px`;
    }
    this.image.hidden = !this.picture;
    if (other) this.open(data);
    else if (moved) this.follow(data);
    this.rev = Math.max(data.rev, other ? data.rev : this.rev);
    this.stage.style.height = `${data.height}px`;
    this.showKept();
    this.refreshButtons();
    if (other && this.size[0]) this.fit(true);
    this.redraw(true);
    this.root.dataset.ready = "yes";
  }

  /** Begin with a job and picture: what the browser kept of it comes back if it fits. */
  open(data) {
    Object.assign(this, { store: data.store, base: data.base, keep: new Keep(data.store), windows: data.windows, steps: new Steps(), dirty: data.dirty, chosen: null, line: null });
    this.faults.clear();
    this.offer.hidden = true;
    const entry = this.keep.read();
    this.seq = Math.max(data.rev, entry?.seq ?? 0);
    this.rev = data.rev;
    if (entry && sameWindows(entry.windows, data.windows)) this.steps = new Steps(entry.back, entry.on);
    else if (entry?.dirty && entry.base === data.base) {
      Object.assign(this, { windows: entry.windows, steps: new Steps(entry.back, entry.on) });
      this.handOver();
      this.say("brought.back", { when: new Date(entry.when).toLocaleString() });
    } else if (entry?.dirty) {
      this.kept_entry = entry;
      this.offer.hidden = false;
      this.offer.firstChild.textContent = this.words["offer"].replace("{when}", new Date(entry.when).toLocaleString());
    }
    this.findFaults();
  }

  answerOffer(take) {
    const before = this.windows;
    this.offer.hidden = true;
    if (take) {
      this.windows = this.kept_entry.windows;
      this.keepStep(before, "step.brought");
      this.redraw(true);
    } else this.write();
    this.kept_entry = null;
  }

  /** The program's outlines became others: saved, traced anew, or undone there. */
  follow(data) {
    this.base = data.base;
    if (data.rev < this.seq) { this.handOver(); return; } // it has not seen the last edit: that one goes on
    if (!sameWindows(this.windows, data.windows)) {
      this.steps.add(changesBetween(this.windows, data.windows), "step.outside");
      this.windows = data.windows;
      if (!this.window()) this.chosen = null;
      else this.choose(this.chosen.id);
      this.findFaults();
    } else this.windows = data.windows.map((w, i) => ({ ...w, rings: this.windows[i].rings })); // names may be new
    this.dirty = data.dirty;
    this.write();
  }

  write() {
    if (this.kept_entry && !this.offer.hidden) return; // nothing is written over until the user has chosen
    const { seq, base, windows, dirty } = this;
    this.keep.write({ seq, base, windows, dirty, when: Date.now(), back: this.steps.back, on: this.steps.on });
  }

  handOver() {
    this.seq += 1;
    this.dirty = true;
    this.write();
    // a held key makes thirty edits a second: the browser keeps each, the program gets the last of a few
    const rest = this.posted + APART_MS - performance.now();
    clearTimeout(this.timer);
    if (rest > 0) this.timer = setTimeout(() => this.post(), rest);
    else this.post();
    this.showKept();
  }

  post(trial = 0) {
    this.posted = performance.now();
    this.send("edit", { store: this.store, base: this.base, seq: this.seq, trial, windows: this.windows.map(({ id, name, kind, stage, rings }) => ({ id, name, kind, stage, rings })) });
    clearTimeout(this.timer);
    this.timer = setTimeout(() => { if (this.rev < this.seq) this.post(trial + 1); }, AGAIN_MS);
  }

  showKept() {
    const key = this.keep?.refused ? "kept.refused" : this.rev < this.seq ? "kept.here" : this.dirty ? "kept.both" : "kept.saved";
    if (this.kept.dataset.state !== key) { this.kept.dataset.state = key; this.kept.textContent = this.words[key] ?? ""; }
  }

  destroy() {
    clearTimeout(this.timer);
    clearTimeout(this.resting);
    cancelAnimationFrame(this.frame);
    this.watch?.disconnect();
    for (const off of this.offs) off();
  }
}

Object.assign(OutlineEditor.prototype, View, Gestures, Commands);

const live = new WeakMap();

export default function ({ parentElement, data, setStateValue }) {
  let editor = live.get(parentElement);
  if (!editor) live.set(parentElement, (editor = new OutlineEditor(parentElement.querySelector(".outline-editor"))));
  editor.send = setStateValue;
  editor.update(data);
  return () => { editor.destroy(); live.delete(parentElement); };
}
