// node --test api/web/jstest
import test from "node:test";
import assert from "node:assert/strict";
import { clock, columns, keepView, levelFor, laneKey, mostLevel, parseClock, radiusTicks, readHash, readTile, TileStore, tileBins, tileSpan, tilesOf, timeTicks, valueAt, valueTicks, writeHash, zoomView } from "../assets/audit-time.js";
import { ceilingCurve, ceilingRange, contextRate, excerptS, fromDB, level, loopAround, matchedGains, nextPiece, onGrid, softCeiling, toDB } from "../assets/audit-gain.js";

// A small generator (xorshift) so that a failure repeats.
function dice(seed) {
  let x = seed >>> 0 || 1;
  return () => {
    x ^= x << 13;
    x ^= x >>> 17;
    x ^= x << 5;
    return (x >>> 0) / 2 ** 32;
  };
}

test("clock and back", () => {
  for (const [s, d, want] of [[0, 0, "0:00"], [59.9996, 3, "1:00.000"], [61.25, 2, "1:01.25"], [1493, 0, "24:53"], [3599.6, 0, "60:00"], [-1, 0, "−0:01"], [NaN, 0, "–"]]) assert.equal(clock(s, d), want);
  const roll = dice(1);
  for (let i = 0; i < 500; i++) {
    const s = Math.round(roll() * 3.6e6) / 1000;
    assert.ok(Math.abs(parseClock(clock(s, 3)) - s) < 1e-9, String(s));
  }
  for (const bad of ["", "x", "1:", "1:60", "1.5:00", "-1", "1:2:3:4", "Infinity"]) assert.ok(Number.isNaN(parseClock(bad)), bad);
  assert.equal(parseClock("1:02:03"), 3723);
});

test("ticks are round, inside, and not too many", () => {
  const roll = dice(2);
  for (let i = 0; i < 300; i++) {
    const from = roll() * 1500;
    const to = from + 10 ** (roll() * 5 - 2);
    const ticks = timeTicks(from, to, 8);
    assert.ok(ticks.length <= 9, `${ticks.length} ticks`);
    for (const k of ticks) assert.ok(k.t >= from - 1e-6 && k.t <= to + 1e-3 * (to - from) + 1e-6, `${from} ${k.t} ${to}`);
    assert.equal(new Set(ticks.map((k) => k.text)).size, ticks.length, "two ticks with one text");
    const lo = (roll() - 0.5) * 100;
    const hi = lo + roll() * 100 + 0.001;
    const v = valueTicks(lo, hi, 4);
    assert.ok(v.lo <= lo + 1e-9 && v.hi >= hi - 1e-9 && v.ticks.length >= 2 && v.ticks.length <= 10, `${lo} ${hi} ${v.ticks}`);
  }
});

test("radius ticks stand where the groove has that radius", () => {
  const n = 400;
  const radius = new Float64Array(n);
  for (let i = 0; i < n; i++) radius[i] = 146 - 85 * ((i + 0.5) / n) ** 1.3; // from 0 to 1000 s
  const ticks = radiusTicks(radius, 0, 1000, 8);
  assert.ok(ticks.length >= 4 && ticks.length <= 9, String(ticks.length));
  // Straight lines between 400 points of this curve err by less than 0.01 mm.
  for (const k of ticks) assert.ok(Math.abs(146 - 85 * (k.t / 1000) ** 1.3 - Number(k.text)) < 0.01, k.text);
  assert.deepEqual(radiusTicks(new Float64Array([5, 5]), 0, 1, 8), []);
});

test("views stay on the side", () => {
  const roll = dice(3);
  let view = { from: 0, to: 1493 };
  for (let i = 0; i < 2000; i++) {
    const t = view.from + roll() * (view.to - view.from);
    const next = roll() < 0.5 ? zoomView(view, roll() * 3, t, 1493, 0.45) : keepView(roll() * 1493, view.to - view.from, roll(), 1493, 0.45);
    assert.ok(next.from >= -1e-9 && next.to <= 1493 + 1e-9 && next.to - next.from >= 0.45 - 1e-9, JSON.stringify(next));
    view = next;
  }
  const z = zoomView({ from: 100, to: 200 }, 0.5, 120, 1493, 1);
  assert.ok(Math.abs((120 - z.from) / (z.to - z.from) - 0.2) < 1e-9, "what is under the pointer stays there");
});

test("tiles cover the view, and are as fine as its columns", () => {
  const roll = dice(4);
  for (let i = 0; i < 500; i++) {
    const length = 20 + roll() * 3600;
    const span = 0.5 + roll() * (length - 0.5);
    const from = roll() * (length - span);
    const k = levelFor(span, 1000, length, 30);
    const list = tilesOf(from, from + span, length, k);
    assert.ok(tileSpan(length, k, list[0]).from <= from + 1e-9 && tileSpan(length, k, list[list.length - 1]).to >= from + span - 1e-9);
    assert.ok(list.length <= 6, `${list.length} tiles`);
    const bin = length / 2 ** k / tileBins;
    assert.ok(bin <= (span / 1000) * 1.35, "too coarse");
  }
  assert.equal(levelFor(1493, 500, 1493, 9), 0);
  assert.ok(1493 / tileBins / 2 ** mostLevel(1493, 1.8 / 1440) >= 1.8 / 1440);
});

// makeTiles measures a curve of single values exactly, as the service does.
function makeTiles(values, length, k) {
  const per = values.length / 2 ** k;
  return Array.from({ length: 2 ** k }, (_, i) => {
    const part = values.slice(i * per, (i + 1) * per);
    const bin = per / tileBins;
    const min = [];
    const max = [];
    for (let b = 0; b < tileBins; b++) {
      const piece = part.slice(b * bin, (b + 1) * bin);
      min.push(Math.min(...piece));
      max.push(Math.max(...piece));
    }
    const { from, to } = tileSpan(length, k, i);
    return readTile({ from_s: from, to_s: to, radius_mm: Array(tileBins).fill(100), lanes: [{ id: "mid", what: "after", min, max }] });
  });
}

test("no peak is lost when tiles become columns", () => {
  const roll = dice(5);
  const length = 64;
  const values = Array.from({ length: tileBins * 64 }, () => roll() - 0.5);
  const key = laneKey("mid", "after");
  for (let round = 0; round < 40; round++) {
    values[Math.floor(roll() * values.length)] = 5; // a click of one value
    const k = Math.floor(roll() * 5);
    const tiles = makeTiles(values, length, k);
    const span = 0.5 + roll() * 60;
    const from = roll() * (length - span);
    const view = { from, to: from + span };
    const w = 100 + Math.floor(roll() * 900);
    const min = new Float32Array(w);
    const max = new Float32Array(w);
    columns(tilesOf(view.from, view.to, length, k).map((i) => ({ tile: tiles[i], ...tileSpan(length, k, i) })), key, view, min, max);
    for (let x = 0; x < w; x++) {
      // Every value whose time lies in the column must be between its edges.
      const a = Math.ceil(((view.from + (x / w) * span) / length) * values.length);
      const b = Math.floor(((view.from + ((x + 1) / w) * span) / length) * values.length) - 1;
      for (let i = a; i <= b; i++) assert.ok(values[i] >= min[x] - 1e-6 && values[i] <= max[x] + 1e-6, `round ${round}, column ${x}: ${values[i]} outside ${min[x]} to ${max[x]}`);
    }
  }
});

test("a coarser tile stands in, and what is not known stays empty", () => {
  const store = new TileStore(3);
  const flat = (v, from, to) => readTile({ from_s: from, to_s: to, radius_mm: Array(8).fill(1), lanes: [{ id: "mid", what: "after", min: [v, v, v, null, v, v, v, v], max: Array(8).fill(v) }] });
  assert.equal(store.best(2, 3), undefined);
  store.put(0, 0, flat(1, 0, 8));
  assert.equal(store.best(5, 31).to, 8);
  store.put(1, 0, flat(2, 0, 4));
  store.put(1, 1, flat(3, 4, 8));
  store.get(1, 0);
  store.put(2, 0, flat(4, 0, 2)); // one too many: 1/1 was used longest ago
  assert.equal(store.get(1, 1), undefined);
  assert.equal(store.get(0, 0).to, 8, "the whole side is never dropped");
  assert.equal(store.best(2, 3).to, 8);
  const min = new Float32Array(8);
  const max = new Float32Array(8);
  columns([{ tile: store.get(0, 0), from: 0, to: 8 }], "mid|after", { from: 0, to: 8 }, min, max);
  assert.ok(Number.isNaN(min[3]) && min[4] === 1, String(min));
  assert.equal(valueAt(store.get(0, 0), "mid|after", 3.5), null);
  assert.deepEqual(valueAt(store.get(0, 0), "mid|after", 4.5), { min: 1, max: 1 });
});

test("addresses keep position, view, change and loop", () => {
  for (const at of [{ t: 83.211 }, { t: 0, span: 1.8, c: 17 }, { t: 5, span: 20, loop: [3.25, 7.5] }]) assert.deepEqual(readHash(writeHash(at)), at);
  assert.deepEqual(readHash("#files"), {});
  assert.deepEqual(readHash("#t=-1&span=x&c=&loop=7-3"), {});
});

test("matched loudness turns the louder down", () => {
  assert.deepEqual(matchedGains(-14, -11.5), { before: 0, after: -2.5 });
  assert.deepEqual(matchedGains(-11.5, -14), { before: -2.5, after: 0 });
  assert.equal(matchedGains(NaN, -14), null);
  const g = matchedGains(-9.3, -13.1);
  assert.ok(Math.abs(-9.3 + g.before - (-13.1 + g.after)) < 1e-12 && Math.max(g.before, g.after) === 0);
  assert.ok(Math.abs(fromDB(-20) - 0.1) < 1e-12 && Math.abs(toDB(0.1) + 20) < 1e-9 && toDB(0) === -Infinity);
});

test("the ceiling is straight below 0.7, never passes 1, never turns back", () => {
  const curve = ceilingCurve();
  assert.equal(curve[(curve.length - 1) / 2], 0);
  for (let i = 0; i < curve.length; i++) {
    const x = ((i / (curve.length - 1)) * 2 - 1) * ceilingRange;
    assert.ok(Math.abs(curve[i]) <= 1 && Math.abs(curve[i] - softCeiling(x)) < 1e-6);
    if (i) assert.ok(curve[i] >= curve[i - 1]);
    if (Math.abs(x) <= 0.7) assert.ok(Math.abs(curve[i] - x) < 1e-6, "bent where it should be straight");
  }
  // Beyond the range the shaper holds its last value: that must be the ceiling.
  assert.ok(curve[curve.length - 1] > 0.9999 && softCeiling(100) <= 1);
});

test("pieces follow each other without gap or overlap", () => {
  const roll = dice(6);
  for (let round = 0; round < 200; round++) {
    const length = 1 + roll() * 100;
    let pos = roll() * length * 0.99;
    let sum = 0;
    const start = pos;
    for (let k = 0; k < 100; k++) {
      const p = nextPiece(pos, length, null);
      assert.ok(p.len > 0 && p.len <= excerptS + 1e-9 && p.pos >= p.index * excerptS - 1e-9 && p.pos + p.len <= (p.index + 1) * excerptS + 1e-9);
      sum += p.len;
      if (p.next === null) break;
      assert.ok(Math.abs(p.next - (p.pos + p.len)) < 1e-9 && !p.seam);
      pos = p.next;
    }
    assert.ok(Math.abs(start + sum - length) < 1e-6, "the end is not reached");
  }
});

test("a loop goes round exactly, over the border of excerpts too", () => {
  for (const loop of [[6.5, 9.25], [1, 3], [8, 16], [0, 20], [15.9, 16.0]]) {
    let pos = loop[0];
    let sum = 0;
    let rounds = 0;
    for (let k = 0; k < 40 && rounds < 5; k++) {
      const p = nextPiece(pos, 20, loop);
      sum += p.len;
      assert.ok(p.pos + p.len <= loop[1] + 1e-9);
      if (p.seam) {
        rounds++;
        assert.equal(p.next, loop[0]);
        assert.ok(Math.abs(sum - rounds * (loop[1] - loop[0])) < 1e-9, `${loop}: ${sum}`);
      }
      pos = p.next;
    }
    assert.equal(rounds, 5, String(loop));
  }
  assert.equal(nextPiece(12, 20, [1, 3]).seam, false, "behind the loop it goes on to the end");
});

test("loops around changes have some roll and stay on the side", () => {
  assert.deepEqual(loopAround(10, 10.05, 100), [9.025, 11.025]);
  assert.deepEqual(loopAround(0.1, 0.2, 100)[0], 0);
  assert.deepEqual(loopAround(99.9, 100, 100)[1], 100);
  assert.deepEqual(loopAround(10, 20, 100), [9.25, 20.75]);
});

test("excerpts are whole in frames, and rates are the file's or half of it", () => {
  for (const rate of [44100, 48000, 88200, 96000, 176400, 192000]) {
    const c = contextRate(rate);
    assert.ok(Number.isInteger(excerptS * c) && c <= 96000 && Number.isInteger(rate / c));
    assert.ok(Math.abs(onGrid(1.23456789, c) - 1.23456789) <= 0.5 / c + 1e-12);
  }
});

test("levels of known signals", () => {
  const n = 4800;
  const sine = Float32Array.from({ length: n }, (_, i) => 0.5 * Math.sin((2 * Math.PI * 10 * i) / n));
  const l = level(sine);
  assert.ok(Math.abs(l.rms - 0.5 / Math.SQRT2) < 1e-6 && Math.abs(l.peak - 0.5) < 1e-4);
  assert.deepEqual(level(new Float32Array(4)), { rms: 0, peak: 0 });
});
