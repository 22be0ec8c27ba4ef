// Keeps the page of a job current. Numbers are set in place; when the state
// changes the page is fetched again, as the server makes it, and its part put in.
import { Stream } from "./stream.js";

const region = document.getElementById("live");
const steps = { fetching: "Fetching the mixes", preparing: "Preparing", storing: "Storing the results" };
let busy = false;
let stale = false;

const stream = new Stream("/v1/jobs/" + encodeURIComponent(region.dataset.job) + "/events", {
  job: news,
  end: async () => {
    stream.stop();
    await renew();
    stream.end("The job has ended. Nothing more will change by itself.");
  },
});

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
        stream.tell("This page is no longer current. Reload it.");
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
    stream.tell("The service cannot be reached. Reload to try again.");
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
