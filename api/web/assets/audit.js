// The audit page: ties time line, players and the list of changes together.
import { readHash, writeHash } from "./audit-time.js";
import { recall, typing } from "./audit-dom.js";
import { Player } from "./audit-player.js";
import { TimeLine } from "./audit-line.js";

const holder = document.getElementById("audit");
const data = JSON.parse(holder.dataset.audit);
const longS = 60; // a change that lasts longer, of a filter for instance, is no passage to loop
const short = data.changes.filter((c) => c[2] - c[1] <= longS);
const byTime = [...(short.length ? short : data.changes)].sort((a, b) => a[1] - b[1]);
let chosen = 0;
let noted = 0;
let touched = false; // the address says where one is once one has gone somewhere

const line = new TimeLine(document.getElementById("timeline"), data, {
  moved(t) {
    touched = true;
    if (player) player.seek(t);
    note();
  },
  chose: (n) => choose(n, true),
  looked() {
    touched = true;
    note();
  },
});

const element = document.getElementById("player");
const player = element && new Player(element, data, {
  moved(t, playing) {
    if (playing) line.setNow(t);
  },
  looped(region) {
    line.loop = region;
    line.redraw();
    note();
  },
  step,
});

// note writes position and view into the address, so that it can be passed on.
function note() {
  if (!touched) return;
  clearTimeout(noted);
  noted = setTimeout(() => {
    const span = line.view.to - line.view.from;
    history.replaceState(null, "", writeHash({ t: line.now, span: span < data.length_s ? span : 0, c: chosen, loop: player && player.loopOn && !chosen ? player.region : null }));
  }, 300);
}

function mark(n) {
  chosen = n;
  line.chosen = n;
  for (const row of document.querySelectorAll("#change-list tr[aria-current]")) row.removeAttribute("aria-current");
  const row = document.getElementById("change-" + n);
  if (row) row.setAttribute("aria-current", "true");
}

// choose moves lanes and players to a change and loops around it. span, if given,
// is how much of the side to show.
function choose(n, stay, span) {
  const c = data.changes.find((k) => k[0] === n);
  if (!c) return false;
  touched = true;
  const [, start, end] = c;
  mark(n);
  const long = end - start > longS;
  let region = [start, end];
  if (player && long) {
    player.setLoopOn(false);
    player.seek(start);
  } else if (player) {
    region = player.around(start, end);
  }
  line.loop = player && !long ? region : null;
  line.told = 0;
  line.setNow(region[0], false);
  line.show((start + end) / 2, span || Math.max((long ? 1 : 4) * (end - start), 1.5 * (region[1] - region[0]), 2 * data.revolution_s));
  if (!stay) holder.scrollIntoView({ block: "start" });
  note();
  return true;
}

// step goes to the change before or after, by time.
function step(by) {
  if (!byTime.length) return;
  let i = byTime.findIndex((c) => c[0] === chosen);
  if (i < 0) {
    i = byTime.findIndex((c) => c[1] >= line.now);
    if (i < 0) i = byTime.length;
    if (by > 0) i--;
  }
  choose(byTime[(i + by + byTime.length) % byTime.length][0], true);
}

// arrive goes where an address leads.
function arrive(hash, stay) {
  const to = readHash(hash);
  if (to.c && choose(to.c, stay, to.span)) return;
  if (to.t === undefined || to.t > data.length_s) return;
  touched = true;
  mark(0);
  line.setNow(to.t, false);
  line.show(to.t, to.span || Math.min(data.length_s, 20));
  if (player) {
    if (to.loop && to.loop[1] <= data.length_s) {
      player.region = to.loop;
      player.deck.seek(to.t);
      player.setLoopOn(true);
    } else {
      player.seek(to.t);
    }
  }
  line.redraw();
  if (!stay) holder.scrollIntoView({ block: "start" });
}

// A link to where one already is changes no address, and is meant all the same.
document.addEventListener("click", (event) => {
  const a = event.target instanceof Element && event.target.closest('a[href^="#t="]');
  if (!a || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  history.pushState(null, "", a.getAttribute("href"));
  arrive(a.getAttribute("href"), false);
});
window.addEventListener("popstate", () => arrive(location.hash, true));

// Sorting fetches the list as the server sorts it and leaves sound and view alone.
const changes = document.getElementById("changes");
const sorts = 'a[href*="/audit?"]';
changes.addEventListener("click", async (event) => {
  const a = event.target instanceof Element && event.target.closest(sorts);
  if (!a || event.button || event.ctrlKey || event.metaKey || event.shiftKey) return;
  event.preventDefault();
  const place = [...changes.querySelectorAll(sorts)].indexOf(a);
  const answer = await fetch(a.href, { credentials: "same-origin" }).catch(() => null);
  const fresh = answer && answer.ok && new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("changes");
  if (!fresh) {
    location.assign(a.href);
    return;
  }
  changes.replaceChildren(...fresh.childNodes);
  const again = changes.querySelectorAll(sorts);
  (again[place] || again[0]).focus({ preventScroll: true });
  const to = new URL(a.href);
  history.replaceState(null, "", to.pathname + to.search + location.hash);
  mark(chosen);
});

document.addEventListener("keydown", (event) => {
  if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey || !(event.target instanceof Element) || typing(event.target)) return;
  const onLine = event.target === line.stage;
  if (!onLine && !(element && element.contains(event.target)) && !recall("keys", true)) return;
  const control = event.target.closest("button, a, summary, input, select");
  // A link does nothing with a space, so after choosing a change it plays.
  if (control && (event.key === "Enter" || (event.key === " " && !control.matches("a")))) return;
  if (control && control.matches("input") && event.key.startsWith("Arrow")) return;
  const far = ["Home", "End", "PageUp", "PageDown", "ArrowUp", "ArrowDown"];
  if (!onLine && far.includes(event.key)) return; // these scroll the page
  if ((player && player.key(event)) || line.key(event)) event.preventDefault();
});

if (location.hash) arrive(location.hash, true);
// Sound is fetched once somebody comes near the players, not before.
if (player) for (const sign of ["pointerenter", "focusin"]) element.addEventListener(sign, () => player.deck.prefetch(), { once: true });
