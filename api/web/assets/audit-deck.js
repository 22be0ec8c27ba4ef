// The audio graph: all sources run side by side on one clock, sample for sample,
// and only gains choose which one is heard. So switching keeps the position.
import { Stale } from "./audit-sound.js";
import { ceilingCurve, ceilingRange, excerptS, fromDB, level, nextPiece, onGrid } from "./audit-gain.js";

export const sources = ["before", "after", "difference", "as-traced"];

const horizonS = 3; // how far ahead excerpts are scheduled: timers of hidden pages come once a second
const leadS = 0.06; // from now to the first sample of a new run
const crossS = 0.01;
const seamS = 0.005;

export class Deck {
  // o.changed() is called when playing, source or loading changes; o.refused(source,
  // text) when a source cannot be had.
  constructor(excerpts, lengthS, o) {
    this.excerpts = excerpts;
    this.lengthS = lengthS;
    this.o = o;
    this.source = "after";
    this.wanted = null; // source that is being fetched to be switched to
    this.armed = new Set(["before", "after"]);
    this.refused = new Map();
    this.playing = false;
    this.loading = false;
    this.pos = 0;
    this.loop = null;
    this.trims = { before: 0, after: 0, difference: 0, "as-traced": 0 }; // dB
    this.volumeDB = -12;
    this.breaks = 0; // times that an excerpt came too late
    this.run = null;
  }

  // wake makes the graph. A browser lets it sound only after something was done.
  async wake() {
    if (!this.ctx) {
      try {
        this.ctx = new AudioContext({ sampleRate: this.excerpts.rate, latencyHint: "playback" });
      } catch {
        this.ctx = new AudioContext(); // the device takes no such rate; the nodes convert
      }
      this.build();
    }
    if (this.ctx.state !== "running") await this.ctx.resume();
  }

  build() {
    const c = this.ctx;
    this.master = new GainNode(c, { gain: fromDB(this.volumeDB) });
    this.meter = new AnalyserNode(c, { fftSize: 4096 });
    this.master.connect(this.meter).connect(c.destination);
    this.samples = new Float32Array(this.meter.fftSize);
    this.bus = {};
    this.trim = {};
    for (const s of sources) {
      this.bus[s] = new GainNode(c, { gain: s === this.source ? 1 : 0 });
      this.trim[s] = new GainNode(c, { gain: fromDB(this.trims[s]) });
      if (s === "difference") {
        this.hot = new AnalyserNode(c, { fftSize: 2048 });
        this.hotSamples = new Float32Array(2048);
        this.trim[s].connect(this.hot);
        this.trim[s].connect(new GainNode(c, { gain: 1 / ceilingRange })).connect(new WaveShaperNode(c, { curve: ceilingCurve() })).connect(this.bus[s]);
      } else {
        this.trim[s].connect(this.bus[s]);
      }
      this.bus[s].connect(this.master);
    }
  }

  async play() {
    if (this.playing) return;
    await this.wake();
    if (this.playing) return; // asked for twice meanwhile
    this.playing = true;
    if (this.pos >= this.lengthS - 0.01) this.pos = 0;
    this.start(this.pos);
    this.timer = setInterval(() => this.pump(), 100);
    this.o.changed();
  }

  pause() {
    if (!this.playing) return;
    this.pos = this.position();
    this.playing = false;
    clearInterval(this.timer);
    this.stopRun();
    this.loading = false;
    this.o.changed();
  }

  seek(t) {
    this.pos = Math.min(Math.max(0, t), this.lengthS);
    if (this.playing) this.start(this.pos);
    else this.prefetch();
  }

  // setLoop changes the loop. What sounds goes on: a new run takes over in step
  // with the old one.
  setLoop(loop) {
    this.loop = loop;
    if (!this.playing) return;
    if (!this.run || !this.run.begun || !this.run.pieces.length) {
      this.start(this.pos);
      return;
    }
    const at = onGrid(this.ctx.currentTime + leadS, this.ctx.sampleRate);
    const pos = this.position(at);
    this.stopRun(at);
    this.newRun(pos);
    Object.assign(this.run, { at, begun: true, inStep: true });
    this.pump();
  }

  // start begins a new run at a position, and fades the one before it out.
  start(pos) {
    this.pos = pos;
    this.stopRun();
    this.excerpts.forget();
    this.newRun(pos);
    this.pump();
  }

  newRun(pos) {
    const fade = new Map(sources.map((s) => [s, new GainNode(this.ctx)]));
    for (const [s, g] of fade) g.connect(this.trim[s]);
    this.run = { fade, pieces: [], head: onGrid(pos, this.ctx.sampleRate), at: 0, begun: false, inStep: false };
  }

  stopRun(at = this.ctx.currentTime) {
    const run = this.run;
    this.run = null;
    if (!run) return;
    for (const g of run.fade.values()) {
      g.gain.setValueAtTime(1, at);
      g.gain.linearRampToValueAtTime(0, at + crossS);
    }
    for (const p of run.pieces) for (const n of p.nodes.values()) n.node.stop(at + crossS + 0.005);
    setTimeout(() => run.fade.forEach((g) => g.disconnect()), 300);
  }

  // position is where the side is heard, now or shortly.
  position(at) {
    const run = this.run;
    if (!this.playing || !run || !run.pieces.length) return this.pos;
    const now = at ?? this.ctx.currentTime;
    let here = run.pieces[0].pos;
    if (run.inStep) here += Math.min(0, now - run.pieces[0].at);
    for (const p of run.pieces) {
      if (p.at > now) break;
      here = p.pos + Math.min(p.len, now - p.at);
    }
    return here;
  }

  // prefetch has the excerpt of the position at hand before anybody plays.
  prefetch() {
    this.excerpts.forget();
    const index = Math.floor(Math.min(this.pos, this.lengthS - 0.001) / excerptS);
    for (const s of [this.source, ...this.armed]) this.ask(s, index);
  }

  ask(source, index) {
    if (index < 0 || index * excerptS >= this.lengthS || this.refused.has(source) || this.excerpts.has(source, index)) return;
    this.excerpts.get(source, index).then(() => this.pump(), (err) => this.refuse(source, err));
  }

  refuse(source, err) {
    if (err instanceof Stale || this.refused.has(source)) return;
    this.refused.set(source, err.message);
    this.armed.delete(source);
    if (this.wanted === source) this.wanted = null;
    this.o.refused(source, err.message);
    if (source === this.source) {
      const other = [...this.armed][0];
      if (other) this.choose(other);
      else this.pause();
    }
    // What failed by accident may be tried again by choosing it.
    setTimeout(() => this.refused.delete(source), 5000);
  }

  // pump schedules what comes within the horizon, and hangs sources that arrived
  // late onto pieces that already play.
  pump() {
    const run = this.run;
    if (!this.playing || !run) return;
    const now = this.ctx.currentTime;
    for (let k = 0; k < 100 && run.head !== null && (!run.begun || run.at < now + horizonS); k++) {
      const piece = nextPiece(run.head, this.lengthS, this.loop);
      for (const s of this.armed) this.ask(s, piece.index);
      const e = this.excerpts.ready(this.source, piece.index);
      if (!e) {
        if (run.begun && run.at < now + 0.02) {
          this.breaks++;
          this.pos = run.head;
          this.start(run.head);
          return;
        }
        break;
      }
      if (!run.begun) {
        run.begun = true;
        run.at = onGrid(now + leadS, this.ctx.sampleRate);
      }
      piece.at = run.at;
      piece.nodes = new Map();
      piece.fadeIn = !run.pieces.length || run.pieces[run.pieces.length - 1].seam;
      run.pieces.push(piece);
      run.at += piece.len;
      run.head = piece.next;
    }
    for (const p of run.pieces) for (const s of this.armed) this.hang(run, p, s);
    while (run.pieces.length > 1 && run.pieces[1].at < now - 1) run.pieces.shift();
    this.ahead(run);
    const waits = !run.begun;
    if (this.wanted && this.sounding(run, this.wanted)) this.cross(this.wanted);
    if (run.head === null && run.begun && now > run.at) {
      this.pause();
      this.pos = this.lengthS;
    }
    if (waits !== this.loading) {
      this.loading = waits;
      this.o.changed();
    }
  }

  // ahead has the next excerpts fetched before they are due.
  ahead(run) {
    const pos = run.head;
    if (pos === null) return;
    const index = Math.floor(pos / excerptS + 1e-9);
    for (const s of this.armed) {
      this.ask(s, index);
      if (this.loop && pos < this.loop[1]) this.ask(s, Math.floor(this.loop[0] / excerptS));
    }
  }

  // hang starts one source of a piece in step with the others.
  hang(run, piece, source) {
    if (piece.nodes.has(source)) return;
    const e = this.excerpts.ready(source, piece.index);
    if (!e) return;
    const rate = this.ctx.sampleRate;
    const late = Math.max(0, onGrid(this.ctx.currentTime + 0.02 - piece.at, rate));
    if (late >= piece.len) return;
    const node = new AudioBufferSourceNode(this.ctx, { buffer: e.buffer });
    const gate = new GainNode(this.ctx);
    const at = piece.at + late;
    const end = piece.at + piece.len;
    if (piece.fadeIn || late > 0) {
      const rise = run.inStep && piece === run.pieces[0] ? crossS : seamS; // in step with the run that ends
      gate.gain.setValueAtTime(0, at);
      gate.gain.linearRampToValueAtTime(1, Math.min(end, at + rise));
    }
    if (piece.seam && piece.len > 4 * seamS) {
      gate.gain.setValueAtTime(1, end - seamS);
      gate.gain.linearRampToValueAtTime(0, end);
    }
    node.connect(gate).connect(run.fade.get(source));
    node.start(at, e.offset + piece.pos - piece.index * excerptS + late, piece.len - late);
    node.onended = () => {
      node.disconnect();
      gate.disconnect();
    };
    piece.nodes.set(source, { node, at });
  }

  // sounding tells that a source runs at this moment.
  sounding(run, source) {
    const now = this.ctx.currentTime;
    return run.pieces.some((p) => p.nodes.has(source) && p.nodes.get(source).at + crossS <= now && now < p.at + p.len);
  }

  // choose switches to a source: at once where it runs already, else as soon as it
  // has come; until then the one before goes on.
  choose(source) {
    this.armed.add(source);
    this.wanted = null;
    if (source === this.source) {
      this.o.changed();
      return;
    }
    if (!this.playing || !this.run || !this.run.begun) {
      this.setSource(source);
      if (this.ctx) for (const s of sources) this.bus[s].gain.value = s === source ? 1 : 0;
      if (this.playing) this.pump();
      else this.prefetch();
      return;
    }
    this.wanted = source;
    this.o.changed();
    for (const p of this.run.pieces) this.ask(source, p.index);
    this.pump();
  }

  setSource(source) {
    this.source = source;
    this.wanted = null;
    this.o.changed();
  }

  cross(source) {
    const now = this.ctx.currentTime;
    for (const s of sources) {
      const g = this.bus[s].gain;
      const target = s === source ? 1 : 0;
      if (g.value === target && s !== this.source && s !== source) continue;
      g.cancelScheduledValues(now);
      g.setValueAtTime(g.value, now);
      g.linearRampToValueAtTime(target, now + crossS);
    }
    this.setSource(source);
  }

  // setTrim sets the gain of a source in dB.
  setTrim(source, db) {
    this.trims[source] = db;
    if (this.ctx) this.trim[source].gain.setTargetAtTime(fromDB(db), this.ctx.currentTime, 0.02);
  }

  setVolume(db) {
    this.volumeDB = db;
    if (this.ctx) this.master.gain.setTargetAtTime(fromDB(db), this.ctx.currentTime, 0.02);
  }

  // levels measures what goes to the loudspeaker: rms and peak, linear; hot tells
  // that the difference is held by its ceiling.
  levels() {
    if (!this.ctx) return { rms: 0, peak: 0, hot: false };
    this.meter.getFloatTimeDomainData(this.samples);
    const out = level(this.samples);
    out.hot = false;
    if (this.source === "difference" && this.playing) {
      this.hot.getFloatTimeDomainData(this.hotSamples);
      out.hot = level(this.hotSamples).peak > 0.7;
    }
    return out;
  }
}
