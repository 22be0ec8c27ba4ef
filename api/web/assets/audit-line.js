// The time line of a side: radius and time along the top, linked lanes below.
// Drawing uses cached tiles only; what is missing is fetched beside it, and a
// coarser tile is shown meanwhile.
import { binAt, clock, columns, keepView, levelFor, mostLevel, parseClock, radiusTicks, tilesOf, tileSpan, timeTicks, zoomView } from "./audit-time.js";
import { changeRow, drawChanges, drawLane, drawMarks, footPX, palette } from "./audit-draw.js";
import { changesLane, laneElement, lanesOf, readLane } from "./audit-lanes.js";
import { button, el, recall, remember, say } from "./audit-dom.js";
import { Tiles } from "./audit-tiles.js";

const headPX = 18; // one line of words over a lane
const narrowPX = 620; // below this the words over a lane take two lines

export class TimeLine {
  // o.moved(t) is called when the reader goes to a moment, o.chose(n) when a
  // change is chosen, o.looked() when another part is shown.
  constructor(root, data, o) {
    this.root = root;
    this.data = data;
    this.o = o;
    this.length = data.length_s;
    this.least = data.revolution_s / 4;
    this.view = { from: 0, to: this.length };
    this.now = 0;
    this.hover = null;
    this.width = 0;
    this.lanes = [];
    this.all = [];
    this.chosen = 0;
    this.loop = null;
    this.level = 0;
    this.most = mostLevel(this.length, data.revolution_s / 1440);
    this.pointers = new Map();
    this.tiles = new Tiles(`/v1/jobs/${encodeURIComponent(data.job)}/timeline`, this.length, (level) => this.arrived(level), (status) => this.failed(status));
    this.build();
    this.tiles.want([{ level: 0, index: 0 }]);
  }

  build() {
    const step = (f) => () => this.pan(f * (this.view.to - this.view.from));
    this.goto = el("input", { id: "tl-goto", className: "short", autocomplete: "off", placeholder: "m:ss", inputMode: "text" });
    const form = el("form", { className: "row tl-bar", method: "get", action: "#" },
      button("Whole side", () => this.whole()), button("One revolution", () => this.revolution()), button("Closer", () => this.zoom(0.5), { "aria-keyshortcuts": "+" }), button("Wider", () => this.zoom(2), { "aria-keyshortcuts": "-" }),
      button("Earlier", step(-0.5)), button("Later", step(0.5)), el("label", { htmlFor: "tl-goto" }, "Go to"), this.goto, el("button", { type: "submit" }, "Go"), button("Read values out", () => this.readOut(), { "aria-keyshortcuts": "v" }));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const t = parseClock(this.goto.value);
      this.goto.setAttribute("aria-invalid", String(!(t <= this.length)));
      if (t <= this.length) this.go(t);
      else say(this.spoken, "Write a time as m:ss, at most " + clock(this.length, 1) + ".");
    });
    this.read = el("p", { className: "tl-read" });
    this.spoken = el("p", { className: "away", role: "status" });
    this.choice = el("div", { className: "lanes-choice" });
    this.axes = el("div", { className: "tl-axes", "aria-hidden": "true" }, el("span", { className: "name" }, "mm"));
    this.pool = [];
    this.canvas = el("canvas", { "aria-hidden": "true" });
    this.g = this.canvas.getContext("2d", { alpha: false });
    this.line = el("div", { className: "tl-now" });
    this.ghost = el("div", { className: "tl-hover", hidden: true });
    this.stage = el("div", { className: "tl-stage", tabIndex: 0, role: "slider", "aria-label": "Position on the side", "aria-valuemin": "0", "aria-valuemax": String(this.length), "aria-describedby": "tl-help" }, this.canvas);
    this.list = el("ul", { className: "tl-lanes" });
    this.body = el("div", { className: "tl-body" }, this.stage, this.list, el("div", { className: "tl-lines" }, this.ghost, this.line));
    this.frame = el("div", { className: "tl" }, this.axes, this.body);
    const help = el("p", { className: "quiet", id: "tl-help" }, "Drag to move, pinch or turn the wheel to zoom (once the time line has the focus, or with Ctrl), click to go there. Arrow keys move the position, with Shift the view; + and − zoom; Home and End.");
    const legend = el("p", { className: "legend" });
    for (const [name, text] of [["was", "before"], ["is", "after"], ["lim", "limit"], ["out", "beyond the limit"], ["trk", "a track begins"]]) legend.append(el("span", { className: name }, text));
    if (this.data.analysed) legend.replaceChildren(el("span", { className: "is" }, "before; there is no after"), el("span", { className: "lim" }, "limit"), el("span", { className: "out" }, "beyond the limit"));
    this.root.append(form, this.read, this.frame, legend, el("details", {}, el("summary", {}, "Lanes to show"), this.choice), help, this.spoken);
    this.root.hidden = false;
    this.listen();
    this.colours = palette(this.root);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
      this.colours = palette(this.root);
      this.redraw();
    });
    new ResizeObserver(() => this.resize()).observe(this.body);
  }

  // arrived is called after each tile; the first one tells which lanes there are.
  arrived(level) {
    if (!this.all.length) {
      if (level === 0) this.setLanes();
      else this.tiles.want([{ level: 0, index: 0 }]); // without lanes nothing is drawn that would ask again
    }
    this.redraw();
  }

  setLanes() {
    const first = this.tiles.store.get(0, 0);
    this.all = lanesOf(first.heads, this.data.analysed ? "before" : "after");
    if (this.data.changes.length) this.all.unshift(changesLane(this.data));
    const shown = recall("lanes", {});
    for (const lane of this.all) {
      const id = "lane-" + lane.name;
      const box = el("input", { type: "checkbox", id, checked: shown[lane.name] ?? lane.shown });
      lane.shown = box.checked;
      box.addEventListener("change", () => {
        lane.shown = box.checked;
        remember("lanes", { ...recall("lanes", {}), [lane.name]: box.checked });
        this.arrange();
      });
      this.choice.append(el("label", { htmlFor: id }, box, lane.label));
    }
    this.arrange();
  }

  // arrange places the lanes that are shown.
  arrange() {
    let top = 0;
    const narrow = this.body.clientWidth < narrowPX;
    this.narrow = narrow;
    this.lanes = this.all.filter((l) => l.shown);
    this.list.replaceChildren();
    for (const lane of this.lanes) {
      lane.head = narrow ? headPX * 2 - 2 : headPX;
      lane.top = top;
      lane.height = lane.plot + lane.head;
      top += lane.height;
      const made = laneElement(lane, footPX);
      lane.value = made.value;
      this.list.append(made.li);
    }
    this.height = top;
    this.resize();
  }

  resize() {
    const width = this.stage.clientWidth;
    if (!width || !this.height) return;
    if (this.narrow !== this.body.clientWidth < narrowPX) {
      this.arrange();
      return;
    }
    const ratio = window.devicePixelRatio || 1;
    const [w, h] = [Math.round(width * ratio), Math.round(this.height * ratio)];
    if (this.canvas.width !== w || this.canvas.height !== h) {
      this.canvas.width = w;
      this.canvas.height = h;
      this.canvas.style.width = width + "px";
      this.canvas.style.height = this.height + "px";
    }
    this.ratio = ratio;
    if (width !== this.width) {
      this.width = width;
      this.buffers = new Map();
      this.zeros = new Float32Array(width);
    }
    this.redraw();
  }

  redraw() {
    if (this.asked) return;
    this.asked = true;
    requestAnimationFrame(() => {
      this.asked = false;
      // While one moves, only what is in the window is drawn; the rest when it is calm.
      const wall = performance.now();
      const whole = !(wall - this.drew < 120);
      this.draw(whole);
      this.drew = wall;
      clearTimeout(this.calm);
      if (!whole) this.calm = setTimeout(() => requestAnimationFrame(() => this.asked || this.draw(true)), 120);
    });
  }

  x(t) {
    return ((t - this.view.from) / (this.view.to - this.view.from)) * this.width;
  }

  t(x) {
    return this.view.from + (x / this.width) * (this.view.to - this.view.from);
  }

  buffer(key) {
    let b = this.buffers.get(key);
    if (!b) this.buffers.set(key, (b = { min: new Float32Array(this.width), max: new Float32Array(this.width) }));
    return b;
  }

  // pieces are the tiles to draw the view with, and asks for those missing: the
  // view itself first, then its neighbours.
  pieces() {
    const { from, to } = this.view;
    const span = to - from;
    this.level = levelFor(span, this.width, this.length, this.most);
    const shown = tilesOf(from, to, this.length, this.level);
    const wide = tilesOf(Math.max(0, from - span / 2), Math.min(this.length, to + span / 2), this.length, this.level);
    const missing = [...shown, ...wide.filter((i) => !shown.includes(i))].map((index) => ({ level: this.level, index }));
    this.tiles.want([{ level: 0, index: 0 }, ...missing]);
    const out = [];
    for (const index of shown) {
      const tile = this.tiles.store.best(this.level, index);
      if (tile) out.push({ tile, ...tileSpan(this.length, this.level, index) });
    }
    return out;
  }

  draw(all) {
    if (!this.width || !this.lanes.length) return;
    const g = this.g;
    const tiles = this.pieces();
    const box = this.body.getBoundingClientRect();
    const [shownFrom, shownTo] = all ? [-Infinity, Infinity] : [-box.top, innerHeight - box.top];
    g.setTransform(this.ratio, 0, 0, this.ratio, 0, 0);
    g.fillStyle = this.colours.card;
    g.fillRect(0, 0, this.width, this.height);
    drawMarks(g, this.marks(), this.height, this.colours);
    for (const lane of this.lanes) {
      if (lane.top > shownTo || lane.top + lane.height < shownFrom) continue;
      lane.zeros = this.zeros;
      if (lane.kind === "changes") {
        drawChanges(g, lane, this.blocks(lane), this.loop && { x: this.x(this.loop[0]), w: this.x(this.loop[1]) - this.x(this.loop[0]) }, this.colours);
        continue;
      }
      const curves = [];
      for (const c of lane.curves) {
        const b = this.buffer(c.key);
        columns(tiles, c.key, this.view, b.min, b.max);
        curves.push({ min: b.min, max: b.max, main: c.main });
      }
      drawLane(g, lane, curves, this.width, this.colours);
    }
    this.drawAxes(tiles);
    this.place();
    this.tell();
    if (!this.drawn && tiles.length) {
      this.drawn = true;
      performance.mark("audit-first-drawing");
    }
    this.root.dataset.level = this.level;
    this.root.dataset.whole = String(tiles.every((p) => p.tile.to - p.tile.from < (this.length / 2 ** this.level) * 1.001));
  }

  marks() {
    const turn = this.data.revolution_s;
    const turns = [];
    if ((turn / (this.view.to - this.view.from)) * this.width >= 24) {
      for (let k = Math.max(1, Math.ceil(this.view.from / turn)); k * turn < this.view.to; k++) turns.push(this.x(k * turn));
    }
    return { turns, tracks: this.data.tracks.filter((t) => t.start_s > 0).map((t) => this.x(t.start_s)) };
  }

  // blocks are the changes in view, one row for each stage that made some.
  blocks(lane) {
    const out = [];
    for (const [n, start, end, , stage] of this.data.changes) {
      if (end < this.view.from || start > this.view.to) continue;
      const x = Math.max(-5, this.x(start));
      out.push({ x, w: Math.min(this.width + 5, this.x(end)) - x, row: lane.rows.indexOf(stage), chosen: n === this.chosen });
    }
    return out;
  }

  drawAxes(tiles) {
    const labels = [];
    const most = Math.max(2, Math.floor(this.width / 90));
    for (const k of timeTicks(this.view.from, this.view.to, most)) labels.push({ x: this.x(k.t), y: 30, cls: "time", text: k.text });
    if (tiles.length) {
      const r = this.buffer("radius").min;
      for (let i = 0; i < r.length; i++) {
        const t = this.t(i + 0.5);
        const p = tiles.find((q) => t < q.to) || tiles[tiles.length - 1];
        r[i] = p.tile.radius[binAt(p.tile, t)];
      }
      for (const k of radiusTicks(r, this.view.from, this.view.to, most)) labels.push({ x: this.x(k.t), y: 5, cls: "radius", text: k.text });
    }
    while (this.pool.length < labels.length) {
      const s = el("span");
      this.axes.append(s);
      this.pool.push(s);
    }
    this.pool.forEach((s, i) => {
      const l = labels[i];
      s.hidden = !l || (l.cls === "radius" && l.x < 34) || l.x > this.width - 10;
      if (s.hidden) return;
      if (s.className !== l.cls) s.className = l.cls;
      say(s, l.text);
      s.style.transform = `translate(${Math.max(l.cls === "time" ? 14 : 0, l.x).toFixed(1)}px, ${l.y}px) translateX(-50%)`;
    });
  }

  // place moves the lines of position and pointer; nothing is drawn for it.
  place() {
    this.line.style.transform = `translateX(${(this.x(this.now) - 1).toFixed(1)}px)`;
    this.ghost.hidden = this.hover === null;
    if (this.hover !== null) this.ghost.style.transform = `translateX(${this.x(this.hover).toFixed(1)}px)`;
  }

  tileAt(t) {
    return this.tiles.store.best(this.level, tilesOf(t, t, this.length, this.level)[0]);
  }

  // moment says where a time is: clock, radius, revolution, track.
  moment(t) {
    const tile = this.tileAt(t);
    const r = tile ? tile.radius[binAt(tile, t)] : NaN;
    const track = this.data.tracks.find((k) => t >= k.start_s && t < k.end_s);
    let text = clock(t, 3);
    if (Number.isFinite(r)) text += `, radius ${r.toFixed(2)} mm`;
    text += `, revolution ${Math.floor(t / this.data.revolution_s) + 1}`;
    return text + (track ? `, track ${track.number}${track.title ? `: ${track.title}` : ""}` : ", between tracks");
  }

  tell() {
    if (!this.width || !this.lanes.length) return; // nothing is drawn, or it said that nothing can be
    const t = this.hover ?? this.now;
    const tile = this.tileAt(t);
    say(this.read, (this.hover === null ? "At " : "Pointer at ") + this.moment(t) + ". One column is " + ((this.view.to - this.view.from) / this.width).toPrecision(2) + " s.");
    for (const lane of this.lanes) {
      if (lane.kind === "changes") say(lane.value, this.changesAt(t));
      else if (lane.value && tile) say(lane.value, readLane(lane, tile, t));
    }
    this.stage.setAttribute("aria-valuenow", this.now.toFixed(3));
    this.stage.setAttribute("aria-valuetext", this.moment(this.now));
  }

  changesAt(t) {
    const out = [];
    for (const [, start, end, db, stage] of this.data.changes) {
      if (t >= start && t < end) out.push(this.data.stages[stage] + (db ? ` ${db < 0 ? "−" : "+"}${Math.abs(db).toFixed(1)} dB` : ""));
    }
    return out.length > 4 ? out.length + " changes" : out.join(", ");
  }

  // readOut has all values at the position read aloud.
  readOut() {
    const tile = this.tileAt(this.now);
    if (!tile) return;
    const parts = ["At " + this.moment(this.now)];
    if (this.changesAt(this.now)) parts.push("Changes: " + this.changesAt(this.now));
    for (const lane of this.lanes) {
      const v = lane.curves.length ? readLane(lane, tile, this.now) : "";
      if (v) parts.push(lane.label + ": " + v);
    }
    this.spoken.textContent = "";
    requestAnimationFrame(() => say(this.spoken, parts.join(". ") + "."));
  }

  failed(status) {
    const text = status === 404 || status === 410 ? "There is no data for a time line: the job was prepared before it was kept, or it has been deleted. The plots below show the whole side." : "The time line cannot be had: your session may be over. Reload the page.";
    this.frame.hidden = true;
    this.read.textContent = text;
    this.read.className = "notice";
    const plots = document.getElementById("plots");
    if (plots) plots.open = true;
  }

  // setView shows a part of the side.
  setView(view) {
    this.view = view;
    this.redraw();
    this.o.looked();
  }

  zoom(factor, t = this.x(this.now) >= 0 && this.x(this.now) <= this.width ? this.now : (this.view.from + this.view.to) / 2) {
    this.setView(zoomView(this.view, factor, t, this.length, this.least));
  }

  pan(seconds) {
    const span = this.view.to - this.view.from;
    this.setView(keepView(this.view.from + seconds, span, 0, this.length, this.least));
  }

  whole() {
    this.setView({ from: 0, to: this.length });
  }

  revolution() {
    this.setView(keepView(this.now, this.data.revolution_s, 0.5, this.length, this.least));
  }

  // show brings a moment into view with that span.
  show(t, span) {
    this.setView(keepView(t, span, 0.5, this.length, this.least));
  }

  // setNow moves the position line; the view follows by pages.
  setNow(t, follow = true) {
    this.now = Math.min(this.length, Math.max(0, t));
    const span = this.view.to - this.view.from;
    if (follow && !this.pointers.size && (this.now < this.view.from || this.now > this.view.to)) this.setView(keepView(this.now, span, 0.1, this.length, this.least));
    else {
      this.place();
      const wall = performance.now();
      if (!(wall - this.told < 100)) {
        this.told = wall;
        this.tell();
      }
    }
  }

  // go moves the position as the reader wants it, and tells.
  go(t) {
    this.told = 0;
    this.setNow(t);
    this.tell();
    this.o.moved(this.now);
  }

  key(event) {
    const span = this.view.to - this.view.from;
    const step = span / 100;
    const act = {
      ArrowLeft: () => (event.shiftKey ? this.pan(-span / 4) : this.go(this.now - step)), ArrowRight: () => (event.shiftKey ? this.pan(span / 4) : this.go(this.now + step)),
      ArrowDown: () => this.go(this.now - step), ArrowUp: () => this.go(this.now + step),
      PageUp: () => this.go(this.now + span / 2), PageDown: () => this.go(this.now - span / 2),
      Home: () => this.go(0), End: () => this.go(this.length),
      "+": () => this.zoom(0.5), "=": () => this.zoom(0.5), "-": () => this.zoom(2), "−": () => this.zoom(2), 0: () => this.whole(), r: () => this.revolution(), v: () => this.readOut(),
    }[event.key];
    if (!act || event.ctrlKey || event.metaKey || event.altKey) return false;
    act();
    return true;
  }

  listen() {
    const s = this.stage;
    const at = (event) => event.clientX - s.getBoundingClientRect().left;
    s.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      s.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, { x: at(event), began: at(event), moved: false });
      this.hover = null;
      if (this.pointers.size === 2) for (const p of this.pointers.values()) p.moved = true;
    });
    s.addEventListener("pointermove", (event) => {
      const p = this.pointers.get(event.pointerId);
      const x = at(event);
      if (!p) {
        if (event.pointerType === "mouse") {
          this.hover = Math.min(this.length, Math.max(0, this.t(x)));
          this.redrawWords();
        }
        return;
      }
      const others = [...this.pointers.values()].filter((q) => q !== p);
      if (others.length === 1) {
        const was = Math.abs(p.x - others[0].x);
        const is = Math.abs(x - others[0].x);
        const middle = this.t((x + others[0].x) / 2);
        if (was > 8 && is > 8) this.setView(zoomView(this.view, was / is, middle, this.length, this.least));
      } else if (p.moved || Math.abs(x - p.began) > 4) {
        p.moved = true;
        this.pan(((p.x - x) / this.width) * (this.view.to - this.view.from));
      }
      p.x = x;
    });
    const up = (event) => {
      const p = this.pointers.get(event.pointerId);
      this.pointers.delete(event.pointerId);
      if (!p || p.moved || event.type === "pointercancel") return;
      this.click(p.x, event.clientY - s.getBoundingClientRect().top);
    };
    s.addEventListener("pointerup", up);
    s.addEventListener("pointercancel", up);
    s.addEventListener("pointerleave", () => {
      this.hover = null;
      this.redrawWords();
    });
    s.addEventListener("wheel", (event) => {
      const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey;
      if (!sideways && !event.ctrlKey && document.activeElement !== s) return;
      event.preventDefault();
      const px = (event.deltaMode === 1 ? 16 : 1) * (sideways ? event.deltaX || event.deltaY : event.deltaY);
      if (sideways) this.pan((px / this.width) * (this.view.to - this.view.from));
      else this.zoom(Math.exp(Math.max(-1, Math.min(1, px / 300))), this.t(at(event)));
    }, { passive: false });
  }

  redrawWords() {
    if (this.asked || this.wordsAsked) return;
    this.wordsAsked = true;
    requestAnimationFrame(() => {
      this.wordsAsked = false;
      this.place();
      this.tell();
    });
  }

  // click goes to the moment, or chooses the change that was meant.
  click(x, y) {
    const lane = this.lanes.find((l) => l.kind === "changes");
    if (lane && y >= lane.top && y < lane.top + lane.height) {
      let best = null;
      let near = 14;
      for (const [n, start, end, , stage] of this.data.changes) {
        const d = Math.max(this.x(start) - x, x - this.x(end), 0) + Math.abs(changeRow(lane, lane.rows.indexOf(stage)) + 3 - y);
        if (d < near) [best, near] = [n, d];
      }
      if (best) {
        this.o.chose(best);
        return;
      }
    }
    this.go(this.t(x));
  }
}

