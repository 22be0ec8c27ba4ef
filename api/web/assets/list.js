// Keeps the list of jobs current: when something happens to a job that the list
// would show, the list is fetched again, as the server makes it, and put in.
// What was chosen and what has the focus stay.
const box = document.getElementById("list-live");
const pause = document.getElementById("pause");
const word = document.getElementById("live-word");
const restMS = 2000; // between two fetches
let source = null;
let again = 0;
let due = 0;
let last = 0;

function tell(text) {
  if (word.textContent !== text) word.textContent = text; // read aloud only when it changes
}

function stop() {
  clearTimeout(again);
  clearTimeout(due);
  due = 0;
  if (source) source.close();
  source = null;
}

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
    if (!answer.ok || !fresh || !source) return;
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
    tell("The service cannot be reached; trying again.");
    last = Date.now() + 5000;
    soon();
  }
}

function follow() {
  stop();
  source = new EventSource(box.dataset.events);
  source.addEventListener("open", () => tell("Updates come by themselves."));
  source.addEventListener("job", soon);
  source.addEventListener("gap", soon);
  source.addEventListener("error", () => {
    if (!source) return;
    tell("The connection is lost; trying again.");
    // A browser gives up after a refusal; it tries by itself after a break.
    if (source.readyState === EventSource.CLOSED) again = setTimeout(follow, 10000);
  });
}

pause.hidden = false;
pause.addEventListener("click", () => {
  const paused = pause.getAttribute("aria-pressed") !== "true";
  pause.setAttribute("aria-pressed", String(paused));
  if (paused) {
    stop();
    tell("Updates are paused.");
  } else {
    follow();
    soon();
  }
});
follow();
