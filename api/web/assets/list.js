// Keeps the list of jobs current: when something happens to a job that the list
// would show, the list is fetched again, as the server makes it, and put in.
// What was chosen and what has the focus stay.
import { Stream } from "./stream.js";

const restMS = 2000; // between two fetches
let due = 0;
let last = 0;

const stream = new Stream(document.getElementById("list-live").dataset.events, { job: soon, gap: soon }, soon);

function soon() {
  if (!due) due = setTimeout(renew, Math.max(0, last + restMS - Date.now()));
}

async function renew() {
  due = 0;
  last = Date.now();
  try {
    const answer = await fetch(location.href, { credentials: "same-origin", cache: "no-store" });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("list");
    const old = document.getElementById("list");
    if (!stream.open) return;
    if (!answer.ok || !fresh) {
      stream.end("This list is no longer current. Reload it.");
      return;
    }
    const chosen = new Set([...old.querySelectorAll("input[name=id]:checked")].map((e) => e.value));
    const which = old.querySelector("input[name=which]:checked")?.value;
    const focus = old.contains(document.activeElement) ? document.activeElement : null;
    for (const e of fresh.querySelectorAll("input[name=id]")) e.checked = chosen.has(e.value);
    for (const e of fresh.querySelectorAll("input[name=which]")) e.checked = e.value === which || (!which && e.value === "chosen");
    old.replaceChildren(...fresh.childNodes);
    if (!focus) return;
    const same = focus.id ? document.getElementById(focus.id) : old.querySelector(`${focus.tagName}[name="${focus.name}"][value="${CSS.escape(focus.value ?? "")}"]`);
    (same || document.getElementById("main")).focus({ preventScroll: true });
  } catch {
    stream.tell("The service cannot be reached; trying again.");
    last = Date.now() + 5000;
    soon();
  }
}
