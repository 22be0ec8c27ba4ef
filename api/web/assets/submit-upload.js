// Sends files by tus, two at a time, until they are there: a lost connection is
// waited out, whatever it takes. What has been sent is not sent again, also after
// a reload, if the same file is chosen.
import { after, fingerprint, Speed, waitMS } from "./submit-logic.js";

const parallel = 2;
const stalledMS = 30000; // nothing has moved: the line is dead though nobody said so
const storingMS = 600000; // all is sent; the service reads it through before it answers

// Uploads tells changed(item) whenever an item has something new to show, and
// done(item) when its file is there. Items have: key, file, state (waiting, held,
// sending, storing, lost, failed, done), sent, total, words, sha, speed, left.
export class Uploads {
  constructor({ tus, owner, studio, changed, done }) {
    Object.assign(this, { tus, owner, studio, changed, done });
    this.items = new Map();
    window.addEventListener("online", () => this.awake());
    window.addEventListener("offline", () => this.asleep());
    setInterval(() => this.watch(), 5000);
  }

  add(key, file) {
    this.remove(key);
    const item = { key, file, state: "waiting", sent: 0, total: file.size, words: "", sha: "", tries: 0, meter: new Speed(), moved: 0, upload: null, timer: 0 };
    this.items.set(key, item);
    this.turn(item, "waiting", this.studio() === null ? "Say for which studio." : "");
    this.next();
    return item;
  }

  get(key) {
    return this.items.get(key);
  }

  pending() {
    return [...this.items.values()].filter((i) => i.state !== "done");
  }

  hold(key) {
    const item = this.items.get(key);
    if (!item) return;
    this.stop(item);
    this.turn(item, "held", "");
    this.next();
  }

  go(key) {
    const item = this.items.get(key);
    if (!item || item.state === "done") return;
    item.tries = 0;
    this.stop(item);
    this.turn(item, "waiting", "");
    this.next();
  }

  // remove forgets a file here and what the service has of it.
  remove(key) {
    const item = this.items.get(key);
    if (!item) return;
    this.items.delete(key);
    clearTimeout(item.timer);
    if (item.upload && item.state !== "done") item.upload.abort(true).catch(() => {}); // an upload nobody finishes expires
    this.next();
  }

  next() {
    const busy = [...this.items.values()].filter((i) => i.state === "sending" || i.state === "storing" || i.state === "lost").length;
    let free = parallel - busy;
    for (const item of this.items.values()) {
      if (free > 0 && item.state === "waiting" && this.studio() !== null) {
        free--;
        this.send(item);
      }
    }
  }

  turn(item, state, words) {
    item.state = state;
    item.words = words;
    if (state !== "sending") item.meter.reset();
    this.changed(item);
  }

  stop(item) {
    clearTimeout(item.timer);
    item.run = null; // what still comes from before is not listened to
    if (item.upload) item.upload.abort().catch(() => {});
  }

  async send(item) {
    const run = {};
    item.run = run;
    item.moved = Date.now();
    this.turn(item, "sending", "");
    const studio = this.studio();
    if (!item.upload) {
      item.upload = new this.tus.Upload(item.file, {
        endpoint: location.origin + "/v1/uploads" + (studio ? "?studio=" + encodeURIComponent(studio) : ""),
        metadata: { filename: item.file.name },
        retryDelays: null, // we wait ourselves, without an end
        fingerprint: () => Promise.resolve(fingerprint(this.owner, studio, item.file)),
        removeFingerprintOnSuccess: true,
        onProgress: (sent, total) => this.progress(item, sent, total),
        onAfterResponse: (_, answer) => {
          item.sha = answer.getHeader("Mix-SHA256") || item.sha;
        },
        onSuccess: () => this.finish(item),
        onError: (error) => this.trouble(item, error),
      });
    }
    try {
      await item.file.slice(0, 1).arrayBuffer();
    } catch {
      // Moved, changed or deleted since it was chosen: no try will mend that.
      if (item.run !== run) return;
      item.run = null;
      this.turn(item, "failed", "The file can no longer be read from this computer. Choose it again.");
      this.next();
      return;
    }
    if (item.run !== run) return;
    try {
      const before = await item.upload.findPreviousUploads();
      if (item.run !== run) return;
      before.sort((a, b) => Date.parse(b.creationTime) - Date.parse(a.creationTime));
      if (before.length && !item.upload.url) item.upload.resumeFromPreviousUpload(before[0]);
      item.upload.start();
    } catch (error) {
      if (item.run === run) this.trouble(item, error);
    }
  }

  progress(item, sent, total) {
    if (!item.run) return;
    const now = Date.now();
    if (sent > item.sent) item.tries = 0;
    if (sent !== item.sent) item.moved = now;
    item.sent = sent;
    item.total = total;
    item.meter.add(now, sent);
    item.speed = item.meter.perSecond();
    item.left = item.meter.left(total);
    if (sent === total && item.state === "sending") {
      this.turn(item, "storing", "");
      return;
    }
    this.changed(item);
  }

  finish(item) {
    if (!item.run) return;
    item.run = null;
    if (!/^[0-9a-f]{64}$/.test(item.sha)) {
      this.turn(item, "failed", "The service has it and does not say under which hash. Go on to ask again.");
      return;
    }
    item.sent = item.total;
    this.turn(item, "done", "");
    this.done(item);
    this.next();
  }

  trouble(item, error) {
    if (!item.run) return;
    const answer = error && error.originalResponse;
    const status = answer ? answer.getStatus() : 0;
    let problem = null;
    try {
      problem = JSON.parse(answer.getBody());
    } catch {
      // Not every answer has words.
    }
    const what = after(status, problem, answer ? answer.getHeader("Retry-After") : "");
    item.run = null;
    if (item.upload) item.upload.abort().catch(() => {});
    if (!what.again) {
      this.turn(item, "failed", what.words);
      this.next();
      return;
    }
    this.later(item, Math.max(what.wait, waitMS(item.tries++)), what.words);
  }

  later(item, ms, words) {
    clearTimeout(item.timer);
    this.turn(item, "lost", words);
    item.timer = setTimeout(() => this.send(item), ms);
  }

  // awake goes on at once when the browser says that there is a line again.
  awake() {
    for (const item of this.items.values()) {
      if (item.state !== "lost") continue;
      clearTimeout(item.timer);
      item.tries = 0;
      this.send(item);
    }
  }

  asleep() {
    for (const item of this.items.values()) if (item.state === "sending" || item.state === "storing") this.broke(item);
  }

  broke(item) {
    this.stop(item);
    this.later(item, waitMS(item.tries++), "No connection. It goes on by itself.");
  }

  watch() {
    const now = Date.now();
    for (const item of this.items.values()) {
      const most = item.state === "sending" ? stalledMS : item.state === "storing" ? storingMS : Infinity;
      if (now - item.moved > most) this.broke(item);
    }
  }
}
