// From micrometres to the picture of a groove, and the figures beside it: the
// arithmetic of groovedraw.go, without a page.

export const mil = 25.4; // um

// scaleOf maps um to px: along the groove to the right, the rim upwards.
export function scaleOf(widthPX, heightPX, alongUM, acrossUM) {
  return { widthPX, heightPX, alongPX: widthPX / alongUM, acrossPX: heightPX / acrossUM };
}

export function xOf(scale, alongUM) {
  return scale.widthPX / 2 + alongUM * scale.alongPX;
}

export function yOf(scale, outwardUM) {
  return scale.heightPX / 2 - outwardUM * scale.acrossPX;
}

// lengthUM is the length of a part of a turn.
export function lengthUM(radiusMM, deg) {
  return (deg / 360) * 2 * Math.PI * radiusMM * 1000;
}

// linesOf takes one kind of movement out of a turn, or all of it.
export function linesOf(turn, show) {
  if (show !== "lateral" && show !== "vertical") {
    return { outer: turn.outer_um, bottom: turn.bottom_um, inner: turn.inner_um };
  }
  const bottom = [];
  const outer = [];
  const inner = [];
  turn.bottom_um.forEach((b, i) => {
    const middle = show === "vertical" ? b - turn.lateral_um[i] : b;
    const half = show === "vertical" ? turn.depth_um[i] : turn.depth_um[i] + turn.vertical_um[i];
    bottom.push(middle);
    outer.push(middle + half);
    inner.push(middle - half);
  });
  return { outer, bottom, inner };
}

// pointsOf are the points of a line of g as SVG has them.
export function pointsOf(scale, g, um) {
  const from = lengthUM(g.radius_mm, g.from_deg);
  return um.map((v, i) => xOf(scale, from + i * g.step_um).toFixed(1) + "," + yOf(scale, v).toFixed(1));
}

// niceUM is the greatest of 1, 2 and 5 times a power of ten that is not above um.
export function niceUM(um) {
  const p = 10 ** Math.floor(Math.log10(um));
  for (const k of [5, 2, 1]) if (k * p <= um) return k * p;
  return p;
}

// figure keeps three digits or so.
export function figure(v) {
  const a = Math.abs(v);
  const s = v.toFixed(a >= 100 ? 0 : a >= 10 ? 1 : 2);
  return /^-[0.]*$/.test(s) ? s.slice(1) : s;
}

export function umWords(um) {
  return figure(um) + "\u00a0\u00b5m (" + figure(um / mil) + "\u00a0mil)";
}

// centreOf is the planned centre of a turn where its points begin.
export function centreOf(turn) {
  return turn.bottom_um[0] - turn.lateral_um[0];
}

// inside is an edge as far as there is a groove: where the edges have crossed, the
// cutter is out of the lacquer, and both stand in the middle.
export function inside(edge, other, sign) {
  return edge.map((v, i) => (sign * (v - other[i]) < 0 ? (v + other[i]) / 2 : v));
}

// acrossUM is how much a picture shows across unless asked otherwise.
export function acrossUM(g) {
  const want = 2 * Math.max(g.pitch_um, ...g.turns.map((t) => Math.abs(centreOf(t)))) + 4 * g.depth_um;
  const p = 10 ** Math.floor(Math.log10(want));
  for (const k of [1, 1.2, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]) if (k * p >= want) return k * p;
  return want;
}

export function momentWords(s) {
  const ms = Math.round(s * 1000);
  const two = (n, w) => String(n).padStart(w, "0");
  return Math.floor(ms / 60000) + ":" + two(Math.floor(ms / 1000) % 60, 2) + "." + two(ms % 1000, 3);
}

// indexAt is the point nearest to a moment; a point of a thinned line stands for
// its neighbours.
export function indexAt(g, atS) {
  const n = g.turns[0].bottom_um.length;
  const um = lengthUM(g.radius_mm, ((atS - g.at_s) / g.turn_s) * 360 - g.from_deg);
  return Math.max(0, Math.min(n - 1, Math.round(um / g.step_um)));
}

// sectionAt is the groove cut across at a point of g.
export function sectionAt(g, i) {
  const at = (k) => g.turns.find((t) => t.turn === k);
  const t = at(0);
  const centre = t.bottom_um[i] - t.lateral_um[i];
  const s = { outer: t.outer_um[i] - centre, inner: t.inner_um[i] - centre, depth: t.depth_um[i], lateral: t.lateral_um[i], vertical: t.vertical_um[i],
    rest: t.depth_um[i] + t.vertical_um[i], centre, landOut: null, landIn: null };
  s.width = s.outer - s.inner;
  if (at(-1)) s.landOut = at(-1).inner_um[i] - t.outer_um[i];
  if (at(1)) s.landIn = t.inner_um[i] - at(1).outer_um[i];
  return s;
}

export const clamp = (v, lo, hi) => Math.max(lo, Math.min(hi, v));
