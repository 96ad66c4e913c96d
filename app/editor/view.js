// What is seen: picture, outlines, corner handles, scales, loupe. One redraw a frame at most.

const SVG = "http://www.w3.org/2000/svg";
const ALL_HANDLES = 70; // so many corners in view are all shown; of more only those near the pointer
const NEAR_PX = 90;
const REST_MS = 160;
const LOUPE_PX = 132;
const LOUPE_TIMES = 4;
const DASHES = { stock: "", proposed: "9 5", ground: "" };
const BREADTHS = { stock: 1.8, proposed: 2.2, ground: 3.6 };

function made(name, attributes = {}, parent = null) {
  const node = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
  if (parent) parent.append(node);
  return node;
}

const pathOf = (rings) => rings.map((ring) => `M${ring.map(([x, y]) => `${x.toFixed(4)} ${y.toFixed(4)}`).join("L")}Z`).join("");

const View = {
  toScreen([x, y]) { return [(x - this.view.left) * this.view.scale, (this.view.top - y) * this.view.scale]; },
  toWall([u, v]) { return [this.view.left + u / this.view.scale, this.view.top - v / this.view.scale]; },
  toPixel([x, y]) {
    const p = this.picture;
    return [(x - p.left_mm) / p.mm_per_px, (p.top_mm - y) / p.mm_per_px];
  },

  /** Picture, or outlines alone, as large as the stage takes. */
  fit(outlines = false) {
    const p = outlines && this.windows.length ? null : this.picture, w = this.size[0] - 96, h = this.size[1] - 40;
    const box = p ? { left: p.left_mm, high: p.top_mm, right: p.left_mm + p.width_px * p.mm_per_px, low: p.top_mm - p.height_px * p.mm_per_px }
      : this.windows.reduce((sum, win) => {
        const b = boundsOf(win.rings[0]);
        return { left: Math.min(sum.left, b.left), right: Math.max(sum.right, b.right), low: Math.min(sum.low, b.low), high: Math.max(sum.high, b.high) };
      }, { left: Infinity, right: -Infinity, low: Infinity, high: -Infinity });
    if (!(box.right > box.left)) Object.assign(box, { left: -30, right: 30, low: 0, high: 60 }); // nothing there yet
    const room = p ? 1 : 0.86, scale = Math.max(room * Math.min(w / (box.right - box.left), h / (box.high - box.low)), 1e-4);
    this.view = {
      scale,
      left: (box.left + box.right) / 2 - (48 + w / 2) / scale,
      top: (box.low + box.high) / 2 + (8 + h / 2) / scale,
    };
    this.fitted = outlines ? "outlines" : "all";
    this.redraw();
  },

  /** Zoom by a factor about a place of the stage, which stays where it is. */
  zoom(factor, [u, v]) {
    const least = 0.05 / (this.picture?.mm_per_px ?? 0.05), most = 60 / (this.picture?.mm_per_px ?? 0.02);
    const scale = between(this.view.scale * factor, least / 4, most), at = this.toWall([u, v]);
    this.view = { scale, left: at[0] - u / scale, top: at[1] + v / scale };
    this.moving();
    this.fitted = false;
    this.redraw();
  },

  pan(du, dv) {
    const { scale, left, top } = this.view;
    this.view = { scale, left: left - du / scale, top: top + dv / scale };
    this.moving();
    this.fitted = false;
    this.redraw();
  },

  /** Bring a place into view if it isn't, as after Tab. */
  show(place) {
    const [u, v] = this.toScreen(place), [w, h] = this.size;
    if (u < 60 || u > w - 60 || v < 40 || v > h - 50) this.pan(w / 2 - u, h / 2 - v);
  },

  /** While things move, lines are drawn plainly: smooth edges of thousands of sides cost half of a frame. */
  moving() {
    clearTimeout(this.resting);
    if (!this.inMotion) this.stage.classList.add("moving");
    this.inMotion = true;
    this.resting = setTimeout(() => { this.inMotion = false; this.stage.classList.remove("moving"); }, REST_MS);
  },

  redraw(shapes = false) {
    this.stale ||= shapes;
    this.frame ||= requestAnimationFrame(() => this.draw());
  },

  draw() {
    this.frame = 0;
    const { scale, left, top } = this.view, p = this.picture;
    if (p) {
      const [u, v] = this.toScreen([p.left_mm, p.top_mm]);
      this.image.style.transform = `translate(${u}px,${v}px) scale(${p.mm_per_px * scale})`;
    }
    this.wall.setAttribute("transform", `matrix(${scale} 0 0 ${-scale} ${-left * scale} ${top * scale})`);
    if (this.stale) this.drawShapes();
    this.stale = false;
    this.drawNames();
    this.drawLines();
    this.drawHandles();
    this.drawScales();
    this.drawLoupe();
    this.frames = (this.frames ?? 0) + 1;
  },

  drawShapes() {
    const wanted = new Set(this.windows.map((w) => w.id));
    for (const [id, nodes] of this.paths) {
      if (wanted.has(id)) continue;
      nodes.halo.remove(); nodes.line.remove(); nodes.name.remove();
      this.paths.delete(id);
    }
    for (const w of this.windows) {
      let nodes = this.paths.get(w.id);
      if (!nodes) {
        nodes = {
          halo: made("path", { class: "halo", "vector-effect": "non-scaling-stroke" }, this.halos),
          line: made("path", { class: "outline", "vector-effect": "non-scaling-stroke" }, this.outlines),
          name: made("text", { class: "name" }, this.names),
        };
        this.paths.set(w.id, nodes);
      }
      const chosen = w.id === this.chosen?.id, faulty = this.faults.has(w.id);
      const look = `${w.name}|${w.kind}|${w.stage}|${chosen}|${faulty}`;
      if (nodes.look !== look) {
        nodes.look = look;
        nodes.line.setAttribute("stroke", this.colours[w.kind] ?? "#7F7F7F");
        nodes.line.setAttribute("fill", this.colours[w.kind] ?? "#7F7F7F");
        nodes.line.style.strokeWidth = (BREADTHS[w.stage] ?? 1.8) + (chosen ? 1 : 0);
        nodes.line.style.strokeDasharray = faulty ? "2 3" : DASHES[w.stage] ?? "";
        nodes.line.classList.toggle("chosen", chosen);
        nodes.line.dataset.window = w.id;
        nodes.name.textContent = (faulty ? "⚠ " : "") + w.name;
        nodes.name.classList.toggle("chosen", chosen);
      }
      if (nodes.rings !== w.rings) {
        nodes.rings = w.rings;
        const d = pathOf(w.rings);
        nodes.halo.setAttribute("d", d);
        nodes.line.setAttribute("d", d);
        nodes.box = boundsOf(w.rings[0]);
      }
    }
  },

  drawNames() {
    for (const { name, box } of this.paths.values()) {
      const [u, v] = this.toScreen([(box.left + box.right) / 2, (box.low + box.high) / 2]);
      name.setAttribute("transform", `translate(${u.toFixed(1)} ${v.toFixed(1)})`);
    }
  },

  /** Datum, centre line, and what is being measured or drawn. */
  drawLines() {
    const [w, h] = this.size, [u0, v0] = this.toScreen([0, 0]);
    this.datum.setAttribute("d", this.scaled ? `M0 ${v0}H${w}M${u0} 0V${h}` : "");
    const points = this.line ?? [];
    const screen = points.map((p) => this.toScreen(p));
    if (this.tool === "draw" && this.line && this.pointer && !this.pointer.touch) screen.push(this.pointer.at);
    this.drawn.setAttribute("d", screen.length ? `M${screen.map(([u, v]) => `${u} ${v}`).join("L")}` : "");
    while (this.ends.childNodes.length > points.length) this.ends.lastChild.remove();
    while (this.ends.childNodes.length < points.length) {
      const end = made("g", { class: "end" }, this.ends);
      made("circle", { r: 6 }, end);
      made("text", { x: 9, y: -8 }, end);
    }
    points.forEach((p, i) => {
      const [u, v] = this.toScreen(p), end = this.ends.childNodes[i];
      end.setAttribute("transform", `translate(${u} ${v})`);
      end.lastChild.textContent = this.tool === "measure" ? "AB"[i] ?? "" : "";
    });
    const cross = this.cross ? this.toScreen(this.cross) : null;
    this.crosshair.setAttribute("d", cross ? `M${cross[0] - 14} ${cross[1]}h28M${cross[0]} ${cross[1] - 14}v28` : "");
  },

  drawHandles() {
    const nodes = this.handles.childNodes, put = [], run = this.runCorners();
    const w = this.window(), ring = w?.rings[this.chosen.ring], [wide, high] = this.size;
    if (ring && this.tool !== "measure") {
      const seen = [], near = this.pointer?.at, picked = new Set(run);
      ring.forEach((p, i) => {
        const [u, v] = this.toScreen(p);
        if (u < -8 || v < -8 || u > wide + 8 || v > high + 8) return;
        seen.push([i, u, v, near ? Math.hypot(u - near[0], v - near[1]) : Infinity]);
      });
      const all = seen.length <= ALL_HANDLES;
      const close = all ? seen : seen.filter((s) => s[3] < NEAR_PX).sort((a, b) => a[3] - b[3]).slice(0, ALL_HANDLES);
      const shown = new Set(close.map((s) => s[0]));
      const some = seen.filter((s) => picked.has(s[0]) && !shown.has(s[0])).slice(0, ALL_HANDLES);
      for (const [i, u, v] of [...close, ...some]) put.push([u, v, picked.has(i), i]);
    }
    while (nodes.length > put.length) this.handles.lastChild.remove();
    while (nodes.length < put.length) made("rect", { x: -4, y: -4, width: 8, height: 8, class: "handle" }, this.handles);
    put.forEach(([u, v, picked, i], k) => {
      nodes[k].setAttribute("transform", `translate(${u.toFixed(1)} ${v.toFixed(1)})`);
      nodes[k].setAttribute("class", picked ? "handle picked" : "handle");
      nodes[k].setAttribute("data-corner", i);
    });
  },

  drawScales() {
    const [w, h] = this.size, key = `${this.view.scale}|${this.view.left}|${this.view.top}|${w}|${h}|${this.degrees?.length}`;
    if (key === this.scalesDrawn) return;
    this.scalesDrawn = key;
    const gap = (px) => {
      const rough = (px / this.view.scale) * this.unit.per_mm, power = 10 ** Math.floor(Math.log10(rough));
      return [1, 2, 5, 10].map((k) => k * power).find((step) => step >= rough);
    };
    const low = this.toWall([0, h])[1], high = this.view.top, shown = gap(56), step = shown / this.unit.per_mm;
    const digits = Math.max(0, -Math.floor(Math.log10(shown) + 1e-9)), mark = (k) => (k * shown).toFixed(digits);
    const ups = [], across = [], turns = [];
    for (let k = Math.ceil(low / step); k * step <= high; k++) ups.push([this.toScreen([0, k * step])[1], mark(k)]);
    const left = this.view.left, right = left + w / this.view.scale;
    for (let k = Math.ceil(left / step); k * step <= right; k++) across.push([this.toScreen([k * step, 0])[0], mark(k)]);
    if (this.degrees) {
      const { height_mm: heights, opens_deg: angles } = this.degrees;
      let last = -Infinity;
      const wide = Math.abs(angles[angles.length - 1] - angles[0]), steps = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20];
      const visible = wide * (h / this.view.scale) / (heights[heights.length - 1] - heights[0]);
      const each = steps.find((s) => (visible / s) * 24 < h) ?? 30;
      const shrink = each < 1 ? 1 : 0;
      const byAngle = angles.map((a, i) => [a, heights[i]]).sort((a, b) => a[0] - b[0]);
      const xs = byAngle.map((p) => p[0]), ys = byAngle.map((p) => p[1]);
      for (let k = Math.ceil(xs[0] / each); k * each <= xs[xs.length - 1]; k++) {
        const v = this.toScreen([0, looked(xs, ys, k * each)])[1];
        if (v < 0 || v > h - 22 || Math.abs(v - last) < 16) continue;
        last = v;
        turns.push([v, `${(k * each).toFixed(shrink)}°`]);
      }
    }
    this.scaleMarks(this.heights, ups.filter(([v]) => v < h - 24 && v > 8), (v) => `M40 ${v}h8`, (v) => [37, v + 4, "end"]);
    this.scaleMarks(this.widths, across.filter(([u]) => u > 62 && u < w - 62), (u) => `M${u} ${h - 22}v6`, (u) => [u, h - 4, "middle"]);
    this.scaleMarks(this.turns, turns, (v) => `M${w - 48} ${v}h8`, (v) => [w - 37, v + 4, "start"]);
    this.heights.firstChild.setAttribute("d", `M0 0H48V${h}H0Z`);
    this.widths.firstChild.setAttribute("d", `M48 ${h - 22}H${this.degrees ? w - 48 : w}V${h}H48Z`);
    this.turns.firstChild.setAttribute("d", this.degrees ? `M${w - 48} 0H${w}V${h}H${w - 48}Z` : "");
  },

  scaleMarks(group, marks, tick, place) {
    while (group.childNodes.length > marks.length + 2) group.lastChild.remove();
    while (group.childNodes.length < marks.length + 2) made("text", {}, group);
    group.childNodes[1].setAttribute("d", marks.map(([at]) => tick(at)).join(""));
    marks.forEach(([at, words], k) => {
      const text = group.childNodes[k + 2], [x, y, anchor] = place(at);
      text.setAttribute("x", x.toFixed(1));
      text.setAttribute("y", y.toFixed(1));
      text.setAttribute("text-anchor", anchor);
      if (text.textContent !== words) text.textContent = words;
    });
  },

  /** The picture round a dragged point, larger, on the side where the finger isn't. */
  drawLoupe() {
    const at = this.drag?.loupe;
    this.loupe.hidden = !at;
    if (!at) return;
    const [u, v] = this.toScreen(at), left = u < this.size[0] / 2;
    this.loupe.style.left = left ? `${this.size[0] - LOUPE_PX - 58}px` : "56px";
    this.loupe.style.top = v < this.size[1] / 2 && this.drag.touch ? `${this.size[1] - LOUPE_PX - 40}px` : "10px";
    const pen = this.loupe.getContext("2d"), scale = this.view.scale * LOUPE_TIMES, half = LOUPE_PX / 2;
    pen.clearRect(0, 0, LOUPE_PX, LOUPE_PX);
    if (this.picture && this.image.complete && this.image.naturalWidth) {
      const [c, r] = this.toPixel(at), times = this.picture.mm_per_px * scale, reach = half / times;
      pen.imageSmoothingEnabled = times < 4;
      pen.drawImage(this.image, c - reach, r - reach, 2 * reach, 2 * reach, 0, 0, LOUPE_PX, LOUPE_PX);
    }
    pen.lineWidth = 1.6;
    for (const w of this.windows) {
      pen.strokeStyle = this.colours[w.kind] ?? "#7F7F7F";
      pen.beginPath();
      for (const ring of w.rings) {
        ring.forEach((p, i) => {
          const x = half + (p[0] - at[0]) * scale, y = half - (p[1] - at[1]) * scale;
          if (i) pen.lineTo(x, y); else pen.moveTo(x, y);
        });
        pen.closePath();
      }
      pen.stroke();
    }
    pen.strokeStyle = "#000";
    pen.lineWidth = 1;
    pen.beginPath();
    pen.moveTo(half - 9, half + 0.5); pen.lineTo(half + 9, half + 0.5);
    pen.moveTo(half + 0.5, half - 9); pen.lineTo(half + 0.5, half + 9);
    pen.stroke();
  },
};
