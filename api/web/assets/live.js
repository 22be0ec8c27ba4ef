// Keeps the page of a job current. Numbers are set in place; when the state
// changes the page is fetched again, as the server makes it, and its part put in.
const region = document.getElementById("live");
const pause = document.getElementById("pause");
const word = document.getElementById("live-word");
const steps = { fetching: "Fetching the mixes", preparing: "Preparing", storing: "Storing the results" };
let source = null;
let again = 0;
let busy = false;
let stale = false;

function tell(text) {
  if (word.textContent !== text) word.textContent = text; // read aloud only when it changes
}

function stop() {
  clearTimeout(again);
  if (source) source.close();
  source = null;
}

function finished() {
  stop();
  pause.hidden = true;
  tell("The job has ended. Nothing more will change by itself.");
}

async function renew() {
  if (busy) {
    stale = true;
    return;
  }
  busy = true;
  try {
    do {
      stale = false;
      const answer = await fetch(location.pathname, { credentials: "same-origin", cache: "no-store" });
      const text = await answer.text();
      const page = new DOMParser().parseFromString(text, "text/html");
      const fresh = page.getElementById("live");
      if (!answer.ok || !fresh) {
        tell("This page is no longer current. Reload it.");
        return;
      }
      const focus = region.contains(document.activeElement) ? document.activeElement.id : "";
      region.replaceChildren(...fresh.childNodes);
      region.dataset.state = fresh.dataset.state;
      region.dataset.rev = fresh.dataset.rev;
      document.title = page.title;
      if (focus) (document.getElementById(focus) || document.getElementById("main")).focus();
    } while (stale);
  } catch {
    tell("The service cannot be reached. Reload to try again.");
  } finally {
    busy = false;
  }
}

function news(event) {
  const job = JSON.parse(event.data);
  if (job.rev <= Number(region.dataset.rev)) return;
  region.dataset.rev = job.rev;
  const bar = document.getElementById("bar");
  if (job.state !== region.dataset.state || job.cancel_asked || !bar !== !job.progress) {
    region.dataset.state = job.state;
    renew();
    return;
  }
  if (!job.progress) return;
  const percent = Math.floor(Math.max(0, Math.min(100, job.progress.percent)));
  bar.value = percent;
  document.getElementById("percent").textContent = percent + " %";
  const step = steps[job.progress.step] || job.progress.step;
  let left = "";
  const seconds = job.progress.finish ? (Date.parse(job.progress.finish) - Date.now()) / 1000 : 0;
  if (seconds > 0) left = ", about " + (seconds < 100 ? Math.ceil(seconds) + " s" : Math.round(seconds / 60) + " min") + " left";
  document.getElementById("doing").textContent = step + (job.progress.pass ? ": " + job.progress.pass : "") + left;
}

function follow() {
  stop();
  source = new EventSource("/v1/jobs/" + encodeURIComponent(region.dataset.job) + "/events");
  source.addEventListener("open", () => tell("Updates come by themselves."));
  source.addEventListener("job", news);
  source.addEventListener("end", async () => {
    stop();
    await renew();
    finished();
  });
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
  }
});
follow();
