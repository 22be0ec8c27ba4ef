// The lanes of the time line: which there are, their scales, and the words
// beside them.
import { laneKey, valueAt, valueTicks } from "./audit-time.js";
import { el } from "./audit-dom.js";

const kinds = [
  { id: "mid", label: "Mid", kind: "wave", shown: true },
  { id: "side", label: "Side signal", kind: "wave", shown: true },
  { id: "width", label: "Groove width", kind: "band", shown: true },
  { id: "depth", label: "Groove depth", kind: "band", shown: true },
  { id: "curvature", label: "Curvature ratio at radius", kind: "ratio", shown: true },
  { id: "slope", label: "Slope ratio at radius", kind: "ratio", shown: false },
  { id: "land", label: "Land", kind: "band", shown: true },
  { id: "pitch", label: "Pitch", kind: "plan", shown: true },
  { id: "gain", label: "Gain", kind: "gain", shown: true },
];

const units = { um: "µm", mm: "mm", dB: "dB", ratio: "", FS: "of full scale" };

// plotHeight is the height of one lane without its words, in CSS pixels.
const plotHeight = { wave: 66, band: 66, ratio: 66, plan: 48, gain: 48 };

// lanesOf lists the lanes of an answer of the API, in reading order. main is what
// is drawn strong: "after", or "before" where nothing was written.
export function lanesOf(json, main) {
  const out = [];
  for (const kind of kinds) {
    const curves = json.lanes.filter((l) => l.id === kind.id);
    const sets = kind.id === "gain" ? curves.map((c) => [c]) : curves.length ? [curves] : [];
    for (const set of sets) {
      const stage = kind.id === "gain" ? set[0].what.replace(/^stage:/, "") : "";
      const limited = set.find((c) => c.limit !== null && c.limit !== undefined);
      const lane = {
        ...kind,
        name: stage ? "gain-" + stage : kind.id,
        label: stage ? "Gain of " + stage : kind.label,
        unit: set[0].unit,
        limit: limited ? limited.limit : null,
        least: limited ? limited.limit_is === "least" : kind.id === "width" || kind.id === "land",
        plot: plotHeight[kind.kind],
        curves: set.map((c) => ({ key: laneKey(c.id, c.what), what: c.what, main: c.what === main || (c.what !== "before" && c.what !== "after") })),
        top: 0,
      };
      lane.curves.sort((a, b) => Number(a.main) - Number(b.main)); // the strong one is drawn last
      scale(lane, set);
      out.push(lane);
    }
  }
  shareWaves(out);
  return out;
}

function extent(set) {
  let lo = Infinity;
  let hi = -Infinity;
  for (const c of set) {
    for (const v of c.min) if (v !== null && v < lo) lo = v;
    for (const v of c.max) if (v !== null && v > hi) hi = v;
  }
  return lo <= hi ? [lo, hi] : [0, 1];
}

// scale fixes a lane's axis for good: it may not jump while one looks closer.
function scale(lane, set) {
  let [lo, hi] = extent(set);
  if (lane.kind === "wave") {
    hi = Math.max(Math.abs(lo), Math.abs(hi), 0.01);
    lo = -hi;
  } else {
    lo = Math.min(lo, 0);
    hi = Math.max(hi, 0);
  }
  if (lane.kind === "gain") lo = Math.min(lo, -1);
  if (lane.limit !== null && lane.limit <= hi + 2 * (hi - lo)) hi = Math.max(hi, lane.limit * 1.05);
  Object.assign(lane, valueTicks(lo, hi, lane.kind === "gain" || lane.kind === "plan" ? 2 : 3));
}

// shareWaves gives mid and side signal the same axis: their sizes can be compared.
function shareWaves(lanes) {
  const waves = lanes.filter((l) => l.kind === "wave");
  const top = waves.reduce((a, b) => (b.hi > a.hi ? b : a), waves[0]);
  for (const l of waves) Object.assign(l, { lo: top.lo, hi: top.hi, ticks: top.ticks, decimals: top.decimals });
}

const fixed = (v, d) => (v < 0 ? "−" : "") + Math.abs(v).toFixed(d);

function one(lane, v) {
  const unit = units[lane.unit] ? " " + units[lane.unit] : "";
  switch (lane.kind) {
    case "wave":
      return fixed(v.min, 3) + " … " + fixed(v.max, 3);
    case "ratio":
      return "×" + fixed(v.max, 2);
    case "gain":
      return fixed(v.min, 2) + unit;
    case "plan":
      return fixed(v.max, 1) + unit;
    default:
      if (Math.abs(v.max - v.min) < 0.05) return fixed(v.min, 1) + unit;
      return fixed(v.min, 1) + " … " + fixed(v.max, 1) + unit;
  }
}

// readLane says a lane's values at a moment, in words.
export function readLane(lane, tile, t) {
  const parts = [];
  for (const c of [...lane.curves].reverse()) {
    const v = valueAt(tile, c.key, t);
    if (!v) continue;
    const word = c.what === "before" || c.what === "after" ? c.what + " " : "";
    parts.push(word + one(lane, v));
  }
  return parts.join(", ");
}

function limitWords(lane) {
  if (lane.limit === null) return "";
  const unit = units[lane.unit] ? " " + units[lane.unit] : "";
  return (lane.least ? "at least " : "at most ") + lane.limit.toFixed(lane.unit === "ratio" ? 0 : 1).replace(/\.0$/, "") + unit;
}

// laneElement makes the words of a lane: name, unit, limit, ticks, and a place for
// its values.
export function laneElement(lane, footPX) {
  const value = el("span", { className: "value" });
  const unit = units[lane.unit];
  const what = el("div", { className: "what" }, el("span", {}, el("b", {}, lane.label), unit ? ", " + unit : "", limitWords(lane) ? ", " + limitWords(lane) : "", lane.more ? el("span", { className: "more" }, ", " + lane.more) : ""), value);
  const li = el("li", {}, what);
  const plot = lane.height - lane.head - footPX;
  for (const t of lane.ticks) {
    const tick = el("span", { className: "tick" }, fixed(t, lane.decimals));
    tick.style.top = lane.head + ((lane.hi - t) / (lane.hi - lane.lo)) * plot + "px";
    li.append(tick);
  }
  li.style.height = lane.height + "px";
  return { li, value };
}

// changesLane is the lane of treated passages, with a row for each stage that
// treated any.
export function changesLane(data) {
  const rows = [...new Set(data.changes.map((c) => c[4]))].sort((a, b) => a - b);
  return { name: "changes", label: "Changes", more: "from the top: " + rows.map((i) => data.stages[i]).join(", "), kind: "changes", shown: true, unit: "", limit: null, curves: [], ticks: [], decimals: 0, lo: 0, hi: 1, top: 0, rows, plot: 16 + 9 * rows.length };
}
