// Excerpts of the side's sound: fetched, decoded and kept, the ones used last.
// Decoding needs no permission to play, so nothing sounds by it.
import { contextRate, excerptS } from "./audit-gain.js";

const atOnce = 2;
const padS = 0.05; // before and after, where decoding converts the rate and needs a run-up

// Stale is the end of an excerpt that nobody waits for any more.
export class Stale extends Error {}

export class Excerpts {
  constructor(job, lengthS, rateHz, budgetBytes = 160e6) {
    this.url = `/v1/jobs/${encodeURIComponent(job)}/audio/`;
    this.lengthS = lengthS;
    this.rate = contextRate(rateHz);
    this.pad = this.rate === rateHz ? 0 : padS;
    this.budget = budgetBytes;
    this.decoder = new OfflineAudioContext(2, 1, this.rate);
    this.kept = new Map(); // key: {promise, buffer, bytes}
    this.queue = [];
    this.under = 0;
  }

  // ready is the excerpt if it is here: {buffer, offset}, offset being where its
  // time begins in the buffer.
  ready(source, index) {
    const e = this.kept.get(source + index);
    if (!e || !e.buffer) return null;
    this.kept.delete(source + index);
    this.kept.set(source + index, e); // used last
    return e;
  }

  // has tells that an excerpt is here or under way.
  has(source, index) {
    return this.kept.has(source + index);
  }

  // get fetches an excerpt, once.
  get(source, index) {
    const key = source + index;
    let e = this.kept.get(key);
    if (!e) {
      e = { buffer: null, offset: 0, bytes: 0 };
      e.promise = new Promise((resolve, reject) => this.queue.push({ source, index, e, resolve, reject }));
      e.promise.catch(() => this.kept.delete(key)); // to be tried again
      this.kept.set(key, e);
      this.next();
    }
    return e.promise;
  }

  // forget drops what was asked for and has not begun: the reader has moved on.
  forget() {
    for (const job of this.queue.splice(0)) job.reject(new Stale());
  }

  async next() {
    if (this.under >= atOnce || !this.queue.length) return;
    const job = this.queue.shift();
    this.under++;
    try {
      job.resolve(await this.fetch(job));
    } catch (err) {
      job.reject(err);
    } finally {
      this.under--;
      this.next();
    }
  }

  async fetch({ source, index, e }) {
    const from = index * excerptS;
    const lead = Math.min(this.pad, from);
    const to = Math.min(this.lengthS, from + excerptS + this.pad);
    const url = `${this.url}${source}?from_s=${from - lead}&to_s=${to}`;
    for (let tries = 0; ; tries++) {
      const answer = await fetch(url, { credentials: "same-origin" }).catch(() => null);
      if (answer && answer.ok) {
        const data = await answer.arrayBuffer();
        e.buffer = await this.decoder.decodeAudioData(data);
        e.offset = lead;
        e.bytes = e.buffer.length * e.buffer.numberOfChannels * 4;
        this.drop();
        return e;
      }
      const busy = !answer || answer.status === 429 || answer.status >= 500;
      if (!busy || tries >= 5) throw new Error(await words(answer));
      const wait = Math.min(10, Number(answer && answer.headers.get("Retry-After")) || 1 + tries);
      await new Promise((done) => setTimeout(done, 1000 * wait));
    }
  }

  // drop forgets what was used longest ago, until the rest fits.
  drop() {
    let sum = 0;
    for (const e of this.kept.values()) sum += e.bytes;
    for (const [key, e] of this.kept) {
      if (sum <= this.budget) return;
      if (!e.buffer) continue;
      sum -= e.bytes;
      this.kept.delete(key);
    }
  }
}

async function words(answer) {
  if (!answer) return "The service cannot be reached.";
  const problem = await answer.json().catch(() => ({}));
  if (answer.status === 401) return "Your session is over. Sign in again.";
  return problem.detail || problem.title || "The service refused it (" + answer.status + ").";
}
