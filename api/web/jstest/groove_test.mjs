// node --test api/web/jstest
import test from "node:test";
import assert from "node:assert/strict";
import { acrossUM, figure, indexAt, inside, lengthUM, linesOf, momentWords, niceUM, pointsOf, scaleOf, sectionAt, umWords, xOf, yOf } from "../assets/groove-geometry.js";

const near = (got, want, within, what) => assert.ok(Math.abs(got - want) <= within, `${what}: ${got}, want ${want}`);

// tuned is a groove of formulas: three turns 100 um apart, 30 um deep.
function tuned(y, z, n = 200) {
  const g = { at_s: 12.5, span_deg: 2, from_deg: -1, radius_mm: 100, pitch_um: 100, depth_um: 30, turn_s: 1.8, step_um: lengthUM(100, 2) / n, keep: 1, turns: [] };
  for (const turn of [-1, 0, 1]) {
    const t = { turn, outer_um: [], bottom_um: [], inner_um: [], depth_um: [], lateral_um: [], vertical_um: [] };
    for (let i = 0; i < n; i++) {
      const h = 30 - z(i);
      const bottom = -100 * turn + y(i);
      t.lateral_um.push(y(i));
      t.vertical_um.push(z(i));
      t.depth_um.push(h);
      t.bottom_um.push(bottom);
      t.outer_um.push(bottom + h);
      t.inner_um.push(bottom - h);
    }
    g.turns.push(t);
  }
  return g;
}

const still = () => 0;
const swing = (i) => 12 * Math.sin(i / 20);

test("a micrometre lies where the scale puts it", () => {
  const s = scaleOf(960, 420, 3000, 300);
  near(xOf(s, 0), 480, 0, "the moment");
  near(xOf(s, 1500), 960, 1e-9, "right end");
  near(yOf(s, 0), 210, 0, "planned centre");
  near(yOf(s, 150), 0, 1e-9, "rim above");
  near(lengthUM(100, 360), 2e5 * Math.PI, 1e-6, "a turn");
});

test("points lie where they were computed, to half of the last digit", () => {
  const g = tuned(swing, swing);
  const s = scaleOf(390, 340, lengthUM(100, 2), 300);
  for (const t of g.turns) {
    pointsOf(s, g, t.outer_um).forEach((p, i) => {
      const [x, y] = p.split(",").map(Number);
      near(x, (390 * i) / 200, 0.0501, "along");
      near(y, 170 - (t.outer_um[i] * 340) / 300, 0.0501, "across");
    });
  }
});

test("sideways alone the width stays, up and down alone the bottom", () => {
  for (const t of tuned(swing, swing).turns) {
    const lateral = linesOf(t, "lateral");
    const vertical = linesOf(t, "vertical");
    t.bottom_um.forEach((b, i) => {
      near(lateral.outer[i] - lateral.inner[i], 60, 1e-9, "width");
      near(vertical.bottom[i], -100 * t.turn, 1e-9, "bottom");
      near(lateral.outer[i] + vertical.outer[i] + 100 * t.turn - 30, t.outer_um[i], 1e-9, "both together");
    });
    assert.equal(linesOf(t, "all").outer, t.outer_um);
  }
});

test("no groove is filled where the edges have crossed", () => {
  assert.deepEqual(inside([5, 2], [1, 4], 1), [5, 3]);
  assert.deepEqual(inside([1, 4], [5, 2], -1), [1, 3]);
});

test("the cross-section has the figures of its point", () => {
  const g = tuned(swing, (i) => swing(i) / 2);
  for (const i of [0, 17, 199]) {
    const s = sectionAt(g, i);
    near(s.width, 2 * s.depth, 1e-9, "a V of 90 degrees");
    near(s.outer - s.lateral, s.depth, 1e-9, "half the width");
    near(s.rest, 30, 1e-9, "depth at rest");
    near(s.landOut, 100 - 2 * s.depth, 1e-9, "land, all turns alike");
    near(s.landIn, s.landOut, 1e-9, "land inside");
  }
  g.turns.shift();
  assert.equal(sectionAt(g, 3).landOut, null);
});

test("a moment has its point", () => {
  const g = tuned(still, still);
  assert.equal(indexAt(g, 12.5), 100);
  assert.equal(indexAt(g, 12.5 - 1.8 / 360), 0);
  assert.equal(indexAt(g, 0), 0);
  assert.equal(indexAt(g, 99), 199);
});

test("bars, words and heights", () => {
  for (const [um, want] of [[1, 1], [1.99, 1], [4.9, 2], [99, 50], [100, 100]]) near(niceUM(um), want, 1e-9, String(um));
  // 1 mil is 25.4 um exactly.
  assert.equal(umWords(25.4), "25.4\u00a0\u00b5m (1.00\u00a0mil)");
  assert.equal(figure(-0.001), "0.00");
  assert.equal(figure(123.4), "123");
  assert.equal(momentWords(61.25), "1:01.250");
  assert.equal(momentWords(59.9996), "1:00.000");
  // Of the plan, so that mixes and premaster have one scale.
  assert.equal(acrossUM(tuned(still, still)), acrossUM(tuned(swing, (i) => 4 * swing(i))));
});
