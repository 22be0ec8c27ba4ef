// What the form for submitting works out without a page: words, waiting, speed,
// order and the form as it is kept in the browser. No function here touches the
// document.

export function lengthWords(seconds) {
  if (!(seconds > 0) || seconds > 1e7) return "";
  const n = Math.round(seconds);
  return Math.floor(n / 60) + ":" + String(n % 60).padStart(2, "0");
}

export function bytesWords(n) {
  const units = ["bytes", "kB", "MB", "GB", "TB"];
  let i = 0;
  while (n >= 999.5 && i < units.length - 1) {
    n /= 1000;
    i++;
  }
  return (i === 0 || n >= 99.95 ? n.toFixed(0) : n.toFixed(1)) + " " + units[i];
}

export function spanWords(seconds) {
  if (!Number.isFinite(seconds) || seconds < 0) return "";
  if (seconds < 99.5) return Math.max(1, Math.round(seconds)) + " s";
  if (seconds < 5400) return Math.round(seconds / 60) + " min";
  return Math.round(seconds / 3600) + " h";
}

// factsWords describe a file as the service does.
export function factsWords(h) {
  if (!h) return "not known yet";
  const channels = h.channels === 1 ? "mono" : h.channels === 2 ? "stereo" : h.channels + " channels";
  const bits = h.bits ? ", " + h.bits + " bit" + (h.float ? " float" : "") : "";
  return [lengthWords(h.frames / h.rate) || "0:00", h.rate / 1000 + " kHz"].join(", ") + bits + ", " + channels;
}

// declared is how the form tells the service what a head says.
export function declared(h) {
  return h ? [h.rate, h.channels, h.bits, h.float ? 1 : 0, h.frames].join(",") : "";
}

const endings = /\.(wav|wave|rf64|bw64|flac|aif|aiff|aifc)$/i;

// usable says whether a file may be sound of a kind that is taken: by its head, or
// by its name where the head says nothing.
export function usable(name, header) {
  return header !== null || endings.test(name);
}

// waitMS is how long to wait before try n (from 0): doubling from one second to
// thirty, spread so that many browsers do not come back together. There is no
// last try.
export function waitMS(n, random = Math.random) {
  return Math.round(Math.min(30000, 1000 * 2 ** Math.min(n, 10)) * (0.75 + random() / 2));
}

// Speed is bytes per second over the last seconds.
export class Speed {
  constructor(windowMS = 10000) {
    this.windowMS = windowMS;
    this.marks = [];
  }
  add(now, bytes) {
    const last = this.marks[this.marks.length - 1];
    if (last && bytes < last[1]) this.marks = []; // it stepped back: a part was lost
    this.marks.push([now, bytes]);
    while (this.marks.length > 2 && now - this.marks[0][0] > this.windowMS) this.marks.shift();
  }
  reset() {
    this.marks = [];
  }
  perSecond() {
    if (this.marks.length < 2) return 0;
    const [from, to] = [this.marks[0], this.marks[this.marks.length - 1]];
    return to[0] - from[0] < 250 ? 0 : ((to[1] - from[1]) * 1000) / (to[0] - from[0]);
  }
  left(total) {
    const v = this.perSecond();
    const last = this.marks[this.marks.length - 1];
    return v > 0 && last ? (total - last[1]) / v : Infinity;
  }
}

// moved is the list with the item at from put to place to.
export function moved(list, from, to) {
  if (from < 0 || from >= list.length || to < 0 || to >= list.length) return list;
  const out = list.slice();
  out.splice(to, 0, ...out.splice(from, 1));
  return out;
}

// mark tells a file from another one of the same name, as far as a browser can.
export function mark(file) {
  return [file.name, file.size, file.lastModified].join("|");
}

export function fingerprint(owner, studio, file) {
  return ["discsafe", owner, studio, mark(file)].join("-");
}

// after says what to do with an answer of the service to a part of an upload:
// status 0 is no answer at all. again: try again, in so many ms at the earliest;
// else words say why it cannot go on.
export function after(status, problem, retryAfter) {
  const wait = Math.max(Number(retryAfter) || 0, (problem && problem.retry_after_s) || 0) * 1000;
  switch (true) {
    case status === 0:
      return { again: true, wait: 0, words: "No connection. It goes on by itself." };
    case status === 401:
      return { again: false, words: "You are signed out. Sign in in another tab, then go on here." };
    case status === 507:
      return { again: true, wait: Math.max(wait, 30000), words: (problem && problem.detail) || "The service has no room. It is tried again." };
    case status === 503 && problem && problem.code === "intake-paused":
      return { again: true, wait: Math.max(wait, 30000), words: "The operator has paused the intake" + (problem.detail ? ": " + problem.detail : "") + ". It goes on by itself." };
    case status === 413 || status === 415 || status === 422 || status === 403:
      return { again: false, words: (problem && (problem.detail || problem.title)) || "The service does not take this file." };
    default: // busy, broken off, a part that went astray: ask where it stands and go on
      return { again: true, wait, words: "The service does not answer well. It is tried again." };
  }
}

const keepDays = 7;

// pack and unpack are the form as text; what is too old or damaged is null.
export function pack(now, entries, files) {
  return JSON.stringify({ v: 1, at: now, entries, files });
}

export function unpack(text, now) {
  try {
    const d = JSON.parse(text);
    const good = d && d.v === 1 && now - d.at < keepDays * 86400e3 && d.at <= now + 86400e3 && Array.isArray(d.entries) && typeof d.files === "object" && d.files;
    if (!good || !d.entries.every((e) => Array.isArray(e) && e.length === 2 && e.every((s) => typeof s === "string"))) return null;
    return d;
  } catch {
    return null;
  }
}

// empty says whether nothing worth keeping has been put into a form.
export function empty(entries) {
  const plain = ["side", "title", "artist", "catalogue", "inscription", "notes"];
  return !entries.some(([name, v]) => v.trim() !== "" && (plain.includes(name) || /^k[a-z0-9]+\.(name|title|isrc)$/.test(name)));
}

// claim finds the row that waits for a file chosen again: the same name, size and
// time.
export function claim(files, file) {
  return Object.keys(files).find((k) => files[k].mark === mark(file)) || "";
}

// nextKey is a key for a new row that no other has.
export function nextKey(keys) {
  let n = 1;
  while (keys.includes("k" + n)) n++;
  return "k" + n;
}
