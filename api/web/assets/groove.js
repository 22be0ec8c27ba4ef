// The page of the groove: it works without this script, which draws the same
// lines anew as one moves along, and lets the groove run by slowly.
import { acrossUM, centreOf, clamp, figure, indexAt, inside, lengthUM, linesOf, mil, momentWords, niceUM, pointsOf, scaleOf, sectionAt, umWords, yOf } from "./groove-geometry.js";

const leastSpan = 0.5;
const mostSpan = 60;
const strip = 50; // px below the picture, for the scales
const crossing = 8; // s that the groove takes across the picture
const idle = 700; // ms after which the rest of the page follows

function start(root) {
  const $ = (id) => document.getElementById(id);
  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const svgNS = "http://www.w3.org/2000/svg";
  const job = root.dataset.job;
  let at = Number(root.dataset.at);
  let span = Number(root.dataset.span);
  let of = root.dataset.of;
  let show = root.dataset.show;
  let across = Number(root.dataset.across); // 0: as the plan suggests
  let data = null; // the groove that is drawn
  let next = null; // the one that takes over while playing
  let scale = null;
  let asked = 0;
  let playing = false;
  let last = 0;
  let later = 0;
  const held = new Map(); // address: groove

  const frame = $("frame");
  frame.classList.add("live");
  $("play").hidden = false;
  $("groove-keys-box").hidden = false;

  function tell(text) {
    if ($("state").textContent !== text) $("state").textContent = text;
  }

  async function fetchGroove(atS, spanDeg, what) {
    const q = new URLSearchParams({ at_s: atS.toFixed(6), span_deg: String(spanDeg), of: what });
    const address = "/v1/jobs/" + job + "/groove?" + q;
    if (held.has(address)) return held.get(address);
    const answer = await fetch(address, { credentials: "same-origin" });
    if (answer.status === 429) {
      await new Promise((r) => setTimeout(r, 1000 * Number(answer.headers.get("Retry-After") || 2)));
      return fetchGroove(atS, spanDeg, what);
    }
    if (!answer.ok) {
      const problem = await answer.json().catch(() => ({}));
      throw new Error(problem.detail || problem.title || "The groove cannot be had.");
    }
    const g = await answer.json();
    held.set(address, g);
    if (held.size > 12) held.delete(held.keys().next().value);
    return g;
  }

  const buffered = () => Math.min(mostSpan, 3 * span);

  async function load() {
    const turn = ++asked;
    root.setAttribute("aria-busy", "true");
    try {
      const g = await fetchGroove(at, playing ? buffered() : span, of);
      if (turn !== asked) return;
      data = g;
      next = null;
      if (!playing) at = g.at_s; // on a sample
      tell("");
      draw();
      if (!playing) follow();
    } catch (e) {
      if (turn === asked) {
        stop();
        tell(e.message);
      }
    } finally {
      if (turn === asked) root.removeAttribute("aria-busy");
    }
  }

  function make(name, id, kind, parent) {
    const e = document.createElementNS(svgNS, name);
    e.id = id;
    e.setAttribute("class", kind);
    parent.append(e);
    return e;
  }

  // draw makes every line anew, then place moves them to the moment.
  function draw() {
    const width = Math.max(300, Math.round(frame.clientWidth));
    const height = width < 600 ? 340 : 420;
    scale = scaleOf(width, height, lengthUM(data.radius_mm, span), across || acrossUM(data));
    $("top").setAttribute("viewBox", "0 0 " + width + " " + (height + strip + (width < 600 ? 20 : 0)));
    for (const id of ["clip", "land"]) {
      $(id).setAttribute("width", width);
      $(id).setAttribute("height", height);
    }
    $("moving").replaceChildren();
    for (const k of [-1, 0, 1]) {
      const label = $("label-" + k);
      const turn = data.turns.find((t) => t.turn === k);
      if (label) label.classList.toggle("gone", !turn);
      if (!turn) continue;
      const group = make("g", "turn-" + k, "turn" + (k === 0 ? " this" : ""), $("moving"));
      group.dataset.turn = k;
      const lines = linesOf(turn, show);
      const outer = pointsOf(scale, data, lines.outer);
      const inner = pointsOf(scale, data, lines.inner);
      make("polygon", "groove-" + k, "groove", group).setAttribute("points",
        pointsOf(scale, data, inside(lines.outer, lines.inner, 1)).concat(pointsOf(scale, data, inside(lines.inner, lines.outer, -1)).reverse()).join(" "));
      make("polyline", "edge-outer-" + k, "edge", group).setAttribute("points", outer.join(" "));
      make("polyline", "bottom-" + k, "bottom", group).setAttribute("points", pointsOf(scale, data, lines.bottom).join(" "));
      make("polyline", "edge-inner-" + k, "edge", group).setAttribute("points", inner.join(" "));
      const text = label || make("text", "label-" + k, "halo", $("marks"));
      text.textContent = { "-1": "turn before", 0: "this turn", 1: "turn after" }[k];
      text.setAttribute("x", 8);
      text.setAttribute("y", clamp(yOf(scale, centreOf(turn)) + 5, 14, height - 6).toFixed(1));
    }
    const line = $("moment-line");
    line.setAttribute("x1", width / 2);
    line.setAttribute("x2", width / 2);
    line.setAttribute("y2", height);
    $("lifted").classList.toggle("gone", data.least_width_um > 0);
    drawScales(width, height);
    place();
  }

  function drawScales(width, height) {
    const bar = (most, perUM) => {
      const um = niceUM(most / perUM);
      return { px: (um * perUM).toFixed(1), text: um + "\u00a0\u00b5m (" + figure(um / mil) + "\u00a0mil)" };
    };
    const along = bar(width / 4, scale.alongPX);
    const high = bar(height / 4, scale.acrossPX);
    $("scales").setAttribute("transform", "translate(10 " + height + ")");
    $("across").setAttribute("transform", "translate(" + width + " " + height + ")");
    $("along-bar").setAttribute("d", "M0 12v8M0 16h" + along.px + "M" + along.px + " 12v8");
    $("along-text").textContent = "along: " + along.text;
    $("across-bar").setAttribute("d", "M-18 -8h8M-14 -8v-" + high.px + "m-4 0h8");
    $("across-text").setAttribute("y", width < 600 ? 60 : 40); // below the other one where both have no room
    $("across-text").textContent = "across: " + high.text;
    const r = scale.acrossPX / scale.alongPX;
    let text = "Both ways at the same scale: true proportions.";
    if (r >= 1.02) text = "Across the groove is drawn " + figure(r) + " times larger than along it.";
    else if (r <= 0.98) text = "Along the groove is drawn " + figure(1 / r) + " times larger than across it.";
    $("exaggeration").textContent = text;
  }

  // place moves what is drawn so that the moment stands in the middle, and the
  // planned centre of this turn with it.
  function place() {
    const turns = (at - data.at_s) / data.turn_s;
    const dx = -lengthUM(data.radius_mm, turns * 360) * scale.alongPX;
    const dy = -turns * data.pitch_um * scale.acrossPX;
    if (turns === 0) $("moving").removeAttribute("transform");
    else $("moving").setAttribute("transform", "translate(" + dx.toFixed(2) + " " + dy.toFixed(2) + ")");
    const s = turns === 0 && data.keep === 1 ? exactly() : sectionAt(data, indexAt(data, at));
    landMark("land-out", s.outer, s.landOut);
    landMark("land-in", s.landIn === null ? 0 : s.inner - s.landIn, s.landIn);
    drawCross(s);
    tellFigures(s);
    $("moment").textContent = momentWords(at);
  }

  // exactly is the section at the moment as the server computed it.
  function exactly() {
    const n = data.now;
    return { outer: n.outer_um, inner: n.inner_um, depth: n.depth_um, width: n.width_um, lateral: n.lateral_um, vertical: n.vertical_um, rest: data.depth_um,
      centre: 0, landOut: n.land_out_um ?? null, landIn: n.land_in_um ?? null };
  }

  function landMark(id, fromUM, um) {
    const g = $(id);
    const none = um === null || show !== "all";
    g.classList.toggle("gone", none);
    if (none) return;
    if (!g.firstElementChild) {
      make("line", id + "-line", "measure", g);
      make("text", id + "-text", "halo", g);
    }
    const [line, text] = g.children;
    const x = scale.widthPX / 2;
    line.setAttribute("x1", x);
    line.setAttribute("x2", x);
    line.setAttribute("y1", yOf(scale, fromUM).toFixed(1));
    line.setAttribute("y2", yOf(scale, fromUM + um).toFixed(1));
    text.setAttribute("x", x);
    text.setAttribute("dx", 8);
    text.setAttribute("y", (yOf(scale, fromUM + um / 2) + 5).toFixed(1));
    text.textContent = "land " + figure(um) + "\u00a0\u00b5m";
  }

  // The cross-section keeps the scale that the server chose.
  const crossTop = 70;
  const restPX = Number($("cross-rest").getAttribute("points").split(" ")[1].split(",")[1]) - crossTop;
  let crossPerUM = 0;

  function drawCross(s) {
    crossPerUM ||= restPX / data.depth_um;
    const k = crossPerUM;
    const x = (um) => (240 + um * k).toFixed(1);
    const y = (um) => (crossTop + um * k).toFixed(1);
    const limits = data.limits;
    const real = s;
    const none = s.width <= 0;
    if (none) s = { ...s, inner: s.lateral, outer: s.lateral, depth: 0 };
    $("cross-none").classList.toggle("gone", !none);
    $("cross-v").setAttribute("points", `${x(s.inner)},${y(0)} ${x(s.lateral)},${y(s.depth)} ${x(s.outer)},${y(0)}`);
    $("cross-v").classList.toggle("over", (limits.min_width_um > 0 && real.width < limits.min_width_um) || (limits.max_depth_um > 0 && real.depth > limits.max_depth_um));
    $("cross-rest").setAttribute("points", `${x(-s.rest)},${y(0)} ${x(0)},${y(s.rest)} ${x(s.rest)},${y(0)}`);
    $("cross-width").setAttribute("d", `M${x(s.inner)} 32v12M${x(s.inner)} 38H${x(s.outer)}m0 -6v12`);
    $("cross-width-text").textContent = "width " + umWords(real.width);
    $("cross-depth").setAttribute("d", `M430 ${crossTop}V${y(s.depth)}m-6 0h12`);
    $("cross-depth-text").textContent = "depth " + umWords(real.depth);
    $("cross-depth-text").setAttribute("y", y(s.depth));
    const least = $("cross-width-limit");
    if (least) least.setAttribute("d", `M${x(s.lateral - limits.min_width_um / 2)} 62H${x(s.lateral + limits.min_width_um / 2)}`);
  }

  function tellFigures(s) {
    const put = (id, um, limit, least) => {
      $(id).textContent = um === null ? "there is no such turn" : umWords(um);
      const kept = $(id + "-kept");
      if (!kept) return;
      const ok = um === null || (least ? um >= limit : um <= limit);
      kept.textContent = ok ? "kept" : "not kept";
      kept.className = ok ? "held" : "missed";
    };
    put("f-width", s.width, data.limits.min_width_um, true);
    put("f-depth", s.depth, data.limits.max_depth_um, false);
    put("f-lateral", s.lateral);
    put("f-vertical", s.vertical);
    put("f-land-out", s.landOut, data.limits.min_land_um, true);
    put("f-land-in", s.landIn, data.limits.min_land_um, true);
    put("f-planned", s.rest);
  }

  // follow lets address, links, guide and the rest of the table come after, as
  // the server makes them.
  function follow() {
    const q = new URLSearchParams({ at_s: String(Math.round(at * 1e6) / 1e6), span_deg: String(span), of });
    if (across) q.set("across_um", String(across));
    if (show !== "all") q.set("show", show);
    const address = location.pathname + "?" + q;
    if (address === location.pathname + location.search) return;
    history.replaceState(null, "", address);
    clearTimeout(later);
    later = setTimeout(async () => {
      try {
        const answer = await fetch(address, { credentials: "same-origin", cache: "no-store" });
        if (!answer.ok || playing || address !== location.pathname + location.search) return;
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        for (const id of ["guide", "track", "radius", "f-pitch", "f-radius", "f-least-width", "f-most-depth", "f-least-width-kept", "f-most-depth-kept"]) {
          const fresh = page.getElementById(id);
          if (!fresh || !$(id)) continue;
          $(id).className = fresh.className;
          $(id).replaceChildren(...fresh.childNodes);
        }
        $("at_s").value = page.getElementById("at_s").value;
        for (const link of root.querySelectorAll("a.button")) {
          const fresh = page.getElementById(link.id);
          if (fresh) link.href = fresh.getAttribute("href");
        }
        for (const hidden of page.querySelectorAll("#goto input[type=hidden]")) {
          const own = $("goto").elements[hidden.name];
          if (own) own.value = hidden.value;
        }
      } catch {
        tell("The guide could not be renewed; the picture is right.");
      }
    }, idle);
  }

  function go(to) {
    const length = data ? data.length_s : Infinity;
    at = clamp(to, 0, length - 0.001);
    load();
  }

  const perDeg = () => (data ? data.turn_s : 1.8) / 360;
  const step = (share) => go(at + share * span * perDeg());

  function zoom(f) {
    span = clamp(span * f, leastSpan, mostSpan);
    load();
  }

  function heighten(f) {
    if (!data) return;
    across = clamp((across || acrossUM(data)) * f, 20, 5000);
    draw();
    if (!playing) follow();
  }

  function mark(prefix, value, values) {
    for (const v of values) {
      const e = $(prefix + v);
      if (!e) continue;
      e.classList.toggle("on", v === value);
      if (v === value) e.setAttribute("aria-current", "true");
      else e.removeAttribute("aria-current");
    }
  }

  function showOnly(what) {
    show = what;
    mark("show-", what, ["all", "lateral", "vertical"]);
    if (!data) return load();
    draw();
    if (!playing) follow();
  }

  function soundOf(what) {
    if (!$("of-" + what)) return;
    of = what;
    mark("of-", what, ["before", "after"]);
    $("of-word").textContent = what === "before" ? "Before: the groove that the mixes would cut untreated, at the cut level of the side." : "After: the groove that the premaster cuts.";
    load();
  }

  // Playing draws a piece of groove three pictures long once and moves it; the
  // next piece is fetched when half of it has gone by. Who asked the system for
  // little motion gets steps.
  function play() {
    if (!data || playing) return;
    playing = true;
    $("play").textContent = "Pause";
    $("play").setAttribute("aria-pressed", "true");
    const slow = Math.round(crossing / (span * perDeg()));
    if (calm.matches) {
      tell("A step every 2 s; your system asks for little motion.");
      later = setTimeout(stepping, 2000);
      return;
    }
    load().then(() => {
      if (!playing) return;
      tell("Slowed down " + slow + " times.");
      last = 0;
      requestAnimationFrame(tick);
    });
  }

  async function stepping() {
    if (!playing) return;
    const to = at + 0.25 * span * perDeg();
    if (to >= data.length_s - 0.001) return stop();
    at = to;
    await load();
    if (playing) later = setTimeout(stepping, 2000);
  }

  let ahead = false;
  function tick(now) {
    if (!playing) return;
    const passed = last ? Math.min(0.1, (now - last) / 1000) : 0;
    last = now;
    const piece = span * perDeg(); // s of one picture
    const reach = data.at_s + (data.span_deg + data.from_deg - span / 2) * perDeg(); // as far as data goes
    let to = at + (passed * piece) / crossing;
    if (to >= data.length_s - 0.002) {
      stop();
      return;
    }
    if (!next && !ahead && at > data.at_s + piece / 2) {
      ahead = true;
      fetchGroove(Math.min(at + piece / 2, data.length_s - 0.001), buffered(), of).then((g) => { next = g; }, (e) => { stop(); tell(e.message); }).finally(() => { ahead = false; });
    }
    if (next && at >= next.at_s - piece / 2) {
      data = next;
      next = null;
      draw();
    } else if (to > reach && reach < data.length_s - piece) {
      to = at; // wait for the next piece
    }
    at = to;
    place();
    requestAnimationFrame(tick);
  }

  function stop() {
    if (!playing) return;
    playing = false;
    clearTimeout(later);
    $("play").textContent = "Play slowly";
    $("play").setAttribute("aria-pressed", "false");
    tell("");
    load();
  }

  const actions = {
    "turn-back": () => go(at - (data ? data.turn_s : 1.8)), back: () => step(-0.5), on: () => step(0.5), "turn-on": () => go(at + (data ? data.turn_s : 1.8)),
    closer: () => zoom(0.5), wider: () => zoom(2), taller: () => heighten(1 / 1.5), flatter: () => heighten(1.5),
    "show-all": () => showOnly("all"), "show-lateral": () => showOnly("lateral"), "show-vertical": () => showOnly("vertical"),
    "of-before": () => soundOf("before"), "of-after": () => soundOf("after"),
  };
  root.addEventListener("click", (e) => {
    const link = e.target.closest("a.button");
    if (!link || !actions[link.id] || e.ctrlKey || e.metaKey || e.shiftKey || e.button !== 0) return;
    e.preventDefault();
    actions[link.id]();
  });
  $("play").addEventListener("click", () => (playing ? stop() : play()));

  const keys = {
    ArrowLeft: () => step(-0.25), ArrowRight: () => step(0.25), "+": actions.closer, "=": actions.closer, "-": actions.wider, ArrowUp: actions.taller, ArrowDown: actions.flatter,
    " ": () => (playing ? stop() : play()), b: () => soundOf(of === "before" ? "after" : "before"), a: actions["show-all"], l: actions["show-lateral"], v: actions["show-vertical"],
  };
  frame.addEventListener("keydown", (e) => {
    if (e.ctrlKey || e.metaKey || e.altKey) return;
    const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
    if (e.shiftKey && key === "ArrowLeft") actions["turn-back"]();
    else if (e.shiftKey && key === "ArrowRight") actions["turn-on"]();
    else if (keys[key]) keys[key]();
    else return;
    e.preventDefault();
  });

  // Dragging moves along the groove.
  let grip = null;
  frame.addEventListener("pointerdown", (e) => {
    if (!data || e.button !== 0) return;
    stop();
    grip = { x: e.clientX, at, id: e.pointerId };
    frame.setPointerCapture(e.pointerId);
  });
  frame.addEventListener("pointermove", (e) => {
    if (!grip || e.pointerId !== grip.id) return;
    const share = (grip.x - e.clientX) / frame.clientWidth;
    at = clamp(grip.at + share * span * perDeg(), 0, data.length_s - 0.001);
    place();
  });
  const drop = (e) => {
    if (!grip || e.pointerId !== grip.id) return;
    const moved = at !== grip.at;
    grip = null;
    if (moved) load();
  };
  frame.addEventListener("pointerup", drop);
  frame.addEventListener("pointercancel", drop);

  let resized = 0;
  new ResizeObserver(() => {
    clearTimeout(resized);
    resized = setTimeout(() => data && draw(), 100);
  }).observe(frame);
  load();
}

start(document.getElementById("groove"));
