// Draws lanes on a canvas, from typed arrays only. It knows no time and fetches
// nothing: columns in, pixels out.

// footPX is kept free at the bottom of a lane, as lane.head is at its top for
// name and values.
export const footPX = 4;

// palette reads the page's colours, as they are in the present scheme.
export function palette(root) {
  const css = getComputedStyle(root);
  const out = {};
  for (const name of ["card", "ink", "quiet", "line", "edge", "blue", "green", "amber", "red"]) out[name] = css.getPropertyValue("--" + name).trim();
  return out;
}

// scaleY places a value in a lane.
function scaleY(lane) {
  const top = lane.top + lane.head;
  const height = lane.height - lane.head - footPX;
  const k = height / (lane.hi - lane.lo);
  return (v) => top + (lane.hi - Math.min(lane.hi, Math.max(lane.lo, v))) * k;
}

function bars(g, lo, hi, y, colour, alpha) {
  g.fillStyle = colour;
  g.globalAlpha = alpha;
  for (let x = 0; x < lo.length; x++) {
    if (lo[x] !== lo[x]) continue;
    // Whole pixels: edges that need no blending are much faster to fill.
    const top = Math.round(y(hi[x]));
    g.fillRect(x, top, 1, Math.max(1, Math.round(y(lo[x])) - top));
  }
  g.globalAlpha = 1;
}

function edge(g, v, y, colour, width) {
  g.strokeStyle = colour;
  g.lineWidth = width;
  g.beginPath();
  let pen = false;
  for (let x = 0; x < v.length; x++) {
    if (v[x] !== v[x]) {
      pen = false;
      continue;
    }
    if (pen) g.lineTo(x + 0.5, y(v[x]));
    else g.moveTo(x + 0.5, y(v[x]));
    pen = true;
  }
  g.stroke();
}

// beyond marks what passes a limit: the edge in red, and a triangle over each
// run, so that colour is not needed to see it.
function beyond(g, v, limit, least, lane, y, colours) {
  const bad = (x) => (least ? v[x] < limit : v[x] > limit);
  g.strokeStyle = g.fillStyle = colours.red;
  g.lineWidth = 2;
  const top = lane.top + lane.head - 2;
  let free = -1;
  for (let x = 0; x < v.length; x++) {
    if (!bad(x)) continue;
    let end = x;
    while (end + 1 < v.length && bad(end + 1)) end++;
    g.beginPath();
    g.moveTo(x, y(v[x]));
    for (let k = x; k <= end; k++) g.lineTo(k + 1, y(v[k]));
    g.stroke();
    const mid = (x + end + 1) / 2;
    if (mid > free) {
      g.beginPath();
      g.moveTo(mid - 5, top);
      g.lineTo(mid + 5, top);
      g.lineTo(mid, top + 8);
      g.fill();
      free = mid + 11;
    }
    x = end;
  }
}

// drawLane draws one lane. curves are {min, max, main} of columns, the light one
// first.
export function drawLane(g, lane, curves, width, colours) {
  const y = scaleY(lane);
  g.strokeStyle = colours.line;
  g.lineWidth = 1;
  g.beginPath();
  for (const t of lane.ticks) {
    const at = Math.round(y(t)) + 0.5;
    g.moveTo(0, at);
    g.lineTo(width, at);
  }
  g.stroke();
  for (const c of curves) {
    const colour = !c.main ? colours.edge : lane.kind === "gain" ? colours.amber : lane.kind === "plan" ? colours.green : colours.blue;
    switch (lane.kind) {
      case "wave":
        bars(g, c.min, c.max, y, colour, c.main ? 1 : 0.5);
        break;
      case "gain":
        bars(g, c.min, lane.zeros, y, colour, 0.35);
        edge(g, c.min, y, colour, 1.5);
        break;
      case "ratio":
        if (c.main) bars(g, lane.zeros, c.max, y, colour, 0.25);
        edge(g, c.max, y, colour, c.main ? 1.5 : 1);
        break;
      default:
        bars(g, c.min, c.max, y, colour, c.main ? 0.3 : 0.25);
        edge(g, lane.least ? c.min : c.max, y, colour, c.main ? 1.5 : 1);
    }
  }
  if (lane.limit === null) return;
  g.strokeStyle = colours.ink;
  g.lineWidth = 1.5;
  g.setLineDash([8, 4]);
  g.beginPath();
  g.moveTo(0, y(lane.limit));
  g.lineTo(width, y(lane.limit));
  g.stroke();
  g.setLineDash([]);
  for (const c of curves) {
    if (c.main) beyond(g, lane.least ? c.min : c.max, lane.limit, lane.least, lane, y, colours);
  }
}

// drawMarks draws the lines that go through all lanes: where tracks begin and,
// close up, each revolution from the beginning.
export function drawMarks(g, marks, height, colours) {
  g.lineWidth = 1;
  g.strokeStyle = colours.line;
  g.beginPath();
  for (const x of marks.turns) {
    g.moveTo(Math.round(x) + 0.5, 0);
    g.lineTo(Math.round(x) + 0.5, height);
  }
  g.stroke();
  g.strokeStyle = colours.edge;
  g.lineWidth = 2;
  g.setLineDash([2, 4]);
  g.beginPath();
  for (const x of marks.tracks) {
    g.moveTo(Math.round(x), 0);
    g.lineTo(Math.round(x), height);
  }
  g.stroke();
  g.setLineDash([]);
}

// changeRow is where a row of the lane of changes begins.
export const changeRow = (lane, row) => lane.top + lane.head + 2 + 9 * row;

// drawChanges draws treated passages as blocks, the chosen one higher and with a
// mark, and the loop as a bracket below.
export function drawChanges(g, lane, blocks, loop, colours) {
  for (const b of blocks) {
    if (b.chosen) continue;
    g.fillStyle = colours.amber;
    g.fillRect(b.x, changeRow(lane, b.row), Math.max(2, b.w - 0.5), 7);
  }
  for (const b of blocks) {
    if (!b.chosen) continue;
    const top = changeRow(lane, b.row) - 2;
    const w = Math.max(4, b.w + 2);
    g.fillStyle = colours.red;
    g.fillRect(b.x - 1, top, w, 11);
    g.beginPath();
    g.moveTo(b.x + w / 2 - 7, top - 7);
    g.lineTo(b.x + w / 2 + 5, top - 7);
    g.lineTo(b.x + w / 2 - 1, top);
    g.fill();
  }
  if (!loop) return;
  g.strokeStyle = colours.ink;
  g.lineWidth = 2;
  const base = lane.top + lane.height - 3;
  g.beginPath();
  g.moveTo(loop.x + 1, base - 5);
  g.lineTo(loop.x + 1, base);
  g.lineTo(loop.x + loop.w - 1, base);
  g.lineTo(loop.x + loop.w - 1, base - 5);
  g.stroke();
}
