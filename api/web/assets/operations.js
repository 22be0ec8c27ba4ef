// Keeps the page of operations current: every ten seconds the page is fetched
// again, as the server makes it, and its part put in. Nothing is fetched while it
// is paused or out of sight.
const every = 10000;
const region = document.getElementById("live");
const button = document.getElementById("pause");
const word = document.getElementById("live-word");
let paused = false;
let busy = false;
let failing = false;

function tell(text) {
  if (word.textContent !== text) word.textContent = text;
}

async function renew() {
  if (busy) return;
  busy = true;
  try {
    const answer = await fetch("/operations?span=" + encodeURIComponent(region.dataset.span), { credentials: "same-origin", cache: "no-store", signal: AbortSignal.timeout(every) });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("live");
    if (!answer.ok || !fresh) {
      failing = true;
      tell("This page is no longer current: the service answered " + answer.status + ". Trying again.");
      return;
    }
    failing = false;
    if (paused || region.contains(document.activeElement)) return; // somebody is about to follow a link
    region.replaceChildren(...fresh.childNodes);
  } catch {
    failing = true;
    tell("The service cannot be reached; trying again. What is shown is old.");
  } finally {
    busy = false;
    if (!paused && !failing) tell("Updates come every 10 s.");
  }
}

button.hidden = false;
button.addEventListener("click", () => {
  paused = !paused;
  button.setAttribute("aria-pressed", String(paused));
  if (paused) tell("Updates are paused.");
  else renew();
});
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && !paused) renew();
});
tell("Updates come every 10 s.");
setInterval(() => {
  if (!paused && !document.hidden) renew();
}, every);
