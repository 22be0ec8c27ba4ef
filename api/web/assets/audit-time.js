// Time, axes and tiles of the time line: numbers in, numbers out.

const timeSteps = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 180, 300, 600, 900, 1200, 1800, 3600];

// tileBins is how many intervals one tile has: few enough that a tile stays well
// below the 300 kB that the API sends at most, lanes of a long chain included.
export const tileBins = 512;

// clock prints seconds as m:ss with that many decimals.
export function clock(s, decimals = 0) {
  if (!Number.isFinite(s)) return "–";
  const unit = 10 ** decimals;
  const all = Math.round(Math.abs(s) * unit);
  const whole = Math.floor(all / unit);
  let text = Math.floor(whole / 60) + ":" + String(whole % 60).padStart(2, "0");
  if (decimals) text += "." + String(all % unit).padStart(decimals, "0");
  return (s < 0 && all ? "−" : "") + text;
}

// parseClock reads m:ss.d, h:mm:ss or seconds; NaN if it is neither.
export function parseClock(text) {
  const parts = String(text).trim().replace(",", ".").split(":");
  if (parts.length > 3 || parts.some((p) => !/^\d+(\.\d*)?$/.test(p))) return NaN;
  if (parts.slice(0, -1).some((p) => p.includes("."))) return NaN;
  if (parts.slice(1).some((p) => Number(p) >= 60)) return NaN;
  return parts.reduce((sum, p) => sum * 60 + Number(p), 0);
}

// timeTicks are round moments from..to, at most most of them.
export function timeTicks(from, to, most) {
  const step = timeSteps.find((s) => (to - from) / s <= most) || Math.ceil((to - from) / most / 3600) * 3600;
  const decimals = step >= 1 ? 0 : step >= 0.1 ? 1 : step >= 0.01 ? 2 : 3;
  const out = [];
  for (let k = Math.ceil(from / step - 1e-9); k * step <= to + step * 1e-9; k++) out.push({ t: k * step, text: clock(k * step, decimals) });
  return out;
}

// valueTicks widens lo..hi to round numbers, about want of them apart.
export function valueTicks(lo, hi, want) {
  if (!(hi > lo)) [lo, hi] = [lo - 1, lo + 1];
  const raw = (hi - lo) / want;
  const mag = 10 ** Math.floor(Math.log10(raw));
  const step = mag * ([1, 2, 5].find((m) => raw <= m * mag * 1.0001) || 10);
  const first = Math.floor(lo / step + 1e-9);
  const last = Math.ceil(hi / step - 1e-9);
  const ticks = [];
  for (let k = first; k <= last; k++) ticks.push(Number((k * step).toPrecision(12)));
  return { lo: ticks[0], hi: ticks[ticks.length - 1], ticks, decimals: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
}

// radiusTicks puts round radii where the groove reaches them. radius holds one
// value for each of equal intervals from..to and never grows.
export function radiusTicks(radius, from, to, most) {
  const n = radius.length;
  const out = [];
  if (n < 2 || !(radius[0] > radius[n - 1])) return out;
  const span = radius[0] - radius[n - 1];
  const step = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20].find((s) => span / s <= most) || 50;
  const decimals = step >= 1 ? 0 : step >= 0.1 ? 1 : 2;
  const dt = (to - from) / n;
  let i = 0;
  for (let k = Math.floor(radius[0] / step + 1e-9); k * step >= radius[n - 1] - 1e-9; k--) {
    const r = k * step;
    while (i < n && radius[i] > r + 1e-12) i++;
    if (i >= n) break;
    let at = i;
    if (i > 0 && radius[i - 1] > radius[i]) at = i - 1 + (radius[i - 1] - r) / (radius[i - 1] - radius[i]);
    out.push({ t: from + (at + 0.5) * dt, text: r.toFixed(decimals) });
  }
  return out;
}

// keepView is the view with that span around t kept within 0..length. where is
// how far into the view t stands, 0 to 1.
export function keepView(t, span, where, length, least) {
  span = Math.min(length, Math.max(Math.min(least, length), span));
  const from = Math.min(Math.max(0, t - where * span), length - span);
  return { from, to: from + span };
}

// zoomView scales a view by factor around t.
export function zoomView(view, factor, t, length, least) {
  const span = view.to - view.from;
  return keepView(t, span * factor, span > 0 ? (t - view.from) / span : 0.5, length, least);
}

// levelFor is how often the side must be halved until intervals are as fine as
// the columns of the view. Level 0 is the whole side in one tile.
export function levelFor(span, columns, length, most) {
  const want = Math.log2((columns * length) / (span * tileBins));
  return Math.max(0, Math.min(most, Math.ceil(want - 0.42))); // up to a third coarser is not seen
}

// mostLevel is the finest level worth asking for: intervals of leastBinS.
export function mostLevel(length, leastBinS) {
  return Math.max(0, Math.floor(Math.log2(length / tileBins / leastBinS)));
}

// tileSpan is what a tile covers.
export function tileSpan(length, level, index) {
  const d = length / 2 ** level;
  return { from: index * d, to: (index + 1) * d };
}

// tilesOf are the tiles of a level that from..to touches.
export function tilesOf(from, to, length, level) {
  const count = 2 ** level;
  const first = Math.max(0, Math.min(count - 1, Math.floor((from / length) * count)));
  const last = Math.max(first, Math.min(count - 1, Math.ceil((to / length) * count) - 1));
  return Array.from({ length: last - first + 1 }, (_, i) => first + i);
}

// numbers turns an array with nulls into typed numbers with NaN.
export function numbers(list) {
  const out = new Float32Array(list.length);
  for (let i = 0; i < out.length; i++) out[i] = list[i] === null ? NaN : list[i];
  return out;
}

// laneKey names a curve.
export const laneKey = (id, what) => id + "|" + what;

// readTile makes a tile of an answer of the API.
export function readTile(json) {
  const curves = new Map();
  for (const lane of json.lanes) curves.set(laneKey(lane.id, lane.what), { min: numbers(lane.min), max: numbers(lane.max) });
  return { from: json.from_s, to: json.to_s, bins: json.radius_mm.length, radius: numbers(json.radius_mm), curves, heads: json };
}

// TileStore keeps the tiles used last. Level 0 is never dropped.
export class TileStore {
  constructor(most) {
    this.most = most;
    this.tiles = new Map();
  }
  get(level, index) {
    const key = level + "/" + index;
    const tile = this.tiles.get(key);
    if (tile && level) {
      this.tiles.delete(key); // to the end: used last
      this.tiles.set(key, tile);
    }
    return tile;
  }
  put(level, index, tile) {
    this.tiles.set(level + "/" + index, tile);
    for (const key of this.tiles.keys()) {
      if (this.tiles.size <= this.most) break;
      if (key !== "0/0") this.tiles.delete(key);
    }
  }
  // best is the tile of the level, or the finest coarser one that covers it.
  best(level, index) {
    for (let k = level; k >= 0; k--, index >>= 1) {
      const tile = this.get(k, index);
      if (tile) return tile;
    }
    return undefined;
  }
}

// columns merges tiles into one least and one greatest value for each column of
// the view. tiles are in order and cover the view as far as known; a value counts
// for each column it overlaps, so no peak is lost. What is not known is NaN.
export function columns(tiles, key, view, min, max) {
  const n = min.length;
  min.fill(NaN);
  max.fill(NaN);
  const perSecond = n / (view.to - view.from);
  for (const { tile, from, to } of tiles) {
    const curve = tile.curves.get(key);
    if (!curve) continue;
    const bin = (tile.to - tile.from) / tile.bins;
    const a = Math.max(0, Math.floor((Math.max(from, view.from) - tile.from) / bin + 1e-6));
    const b = Math.min(tile.bins - 1, Math.ceil((Math.min(to, view.to) - tile.from) / bin - 1e-6) - 1);
    for (let i = a; i <= b; i++) {
      const lo = curve.min[i];
      const hi = curve.max[i];
      if (lo !== lo) continue;
      const t = tile.from + i * bin;
      const x0 = Math.max(0, Math.floor((Math.max(t, from) - view.from) * perSecond + 1e-6));
      const x1 = Math.min(n - 1, Math.ceil((Math.min(t + bin, to) - view.from) * perSecond - 1e-6) - 1);
      for (let x = x0; x <= Math.max(x0, x1) && x < n; x++) {
        if (!(min[x] <= lo)) min[x] = lo;
        if (!(max[x] >= hi)) max[x] = hi;
      }
    }
  }
}

// binAt is the interval of a tile that a moment is in.
export function binAt(tile, t) {
  return Math.min(tile.bins - 1, Math.max(0, Math.floor(((t - tile.from) / (tile.to - tile.from)) * tile.bins)));
}

// valueAt is what a tile says of a moment.
export function valueAt(tile, key, t) {
  const curve = tile.curves.get(key);
  if (!curve) return null;
  const i = binAt(tile, t);
  return Number.isNaN(curve.min[i]) ? null : { min: curve.min[i], max: curve.max[i] };
}

// readHash reads a position out of an address: t, span, c (number of a change)
// and loop (a-b), whichever are there.
export function readHash(hash) {
  const out = {};
  const q = new URLSearchParams(String(hash).replace(/^#/, ""));
  for (const name of ["t", "span", "c"]) {
    const v = q.get(name);
    if (v !== null && v !== "" && Number.isFinite(Number(v)) && Number(v) >= 0) out[name] = Number(v);
  }
  const loop = /^(\d+(?:\.\d+)?)-(\d+(?:\.\d+)?)$/.exec(q.get("loop") || "");
  if (loop && Number(loop[2]) > Number(loop[1])) out.loop = [Number(loop[1]), Number(loop[2])];
  return out;
}

// writeHash is the other way.
export function writeHash({ t, span, c, loop }) {
  let out = "#t=" + Number(t.toFixed(3));
  if (span) out += "&span=" + Number(span.toPrecision(6));
  if (c) out += "&c=" + c;
  if (loop) out += "&loop=" + Number(loop[0].toFixed(3)) + "-" + Number(loop[1].toFixed(3));
  return out;
}
