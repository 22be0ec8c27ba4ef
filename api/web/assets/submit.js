// The form for submitting a side, with script: files are sent while it is filled
// in, the service examines it as it stands, and nothing is lost by a reload.
import { entriesOf, fieldID, pick, put, reveal, setField, showFaults, showSummary, Store } from "./submit-form.js";
import { readHeader } from "./submit-header.js";
import { claim, empty, mark, pack, unpack, usable, waitMS } from "./submit-logic.js";
import { Rows } from "./submit-rows.js";
import { Uploads } from "./submit-upload.js";

const form = document.getElementById("submit");
const summary = document.getElementById("summary");
const again = document.getElementById("again");
const send = document.getElementById("send");
const sendWord = document.getElementById("send-word");
const tellBox = document.getElementById("tell");
const store = new Store(form.dataset.owner, new URL(form.action).pathname);
const touched = new Set(); // ids of fields whose faults are shown as they are found
let everything = !summary.hidden; // after a try to submit, all faults are
let files = {}; // of rows whose file is not there yet, by key: { mark, name }
let wish = false; // to submit once everything is sent
let gone = false; // the job is made: this page is left

function tell(text) {
  tellBox.textContent = text;
}

function studio() {
  const field = form.elements.studio;
  if (!field) return "";
  return field.value.trim() === "" ? null : field.value.trim();
}

async function ask(step, signal) {
  const body = new URLSearchParams(entriesOf(form));
  body.set("do", step);
  const answer = await fetch(form.action, { method: "POST", body, signal, credentials: "same-origin", headers: { Accept: "application/json" } });
  const kind = answer.headers.get("Content-Type") || "";
  const said = kind.includes("json") ? await answer.json() : {};
  if (kind.includes("problem")) {
    const words = answer.status === 401 ? "You are signed out. Sign in in another tab, then go on here; the form stays as it is." : said.detail || said.title || "The service failed.";
    return { faults: [{ field: "", id: "", label: "", text: words, hint: answer.status === 401 ? "" : said.hint || "" }], retry: answer.status >= 500, problem: true };
  }
  return said;
}

// What the form says is examined a moment after it has changed.
let checkTimer = 0;
let checking = null;
function changed() {
  clearTimeout(checkTimer);
  checkTimer = setTimeout(check, 400);
  keep();
}

async function check() {
  if (checking) checking.abort();
  const mine = new AbortController();
  checking = mine;
  try {
    const said = await ask("check", mine.signal);
    if (!said.problem) show(said);
    else if (everything) showSummary(summary, said.faults);
  } catch {
    // Without a connection nothing is examined; the next change asks again.
  } finally {
    if (checking === mine) checking = null;
  }
}

function show(said) {
  if (said.panel) put(document.getElementById("panel-in"), said.panel);
  if (said.plan !== undefined) document.getElementById("plan-text").textContent = said.plan;
  for (const [key, r] of Object.entries(said.rows || {})) {
    if (!rows.row(key)) continue;
    if (r.here) rows.facts(key, r.words);
    if (r.bad) rows.state(key, "failed", "Cannot be used");
  }
  const list = said.faults || [];
  for (const f of list) if (f.code === "mix-missing" || f.code === "gone") lose(f);
  showFaults(form, list, everything ? null : touched);
  if (everything) showSummary(summary, list);
}

// lose: the service no longer has a file that was handed in.
function lose(fault) {
  const key = fault.field.split(".")[0];
  if (!rows.row(key) || uploads.get(key)) return;
  rows.hidden(key, "sha").value = "";
  rows.state(key, "failed", "Choose it again");
  touched.add(fault.id);
}

// Keeping the form.
let keepTimer = 0;
function keep() {
  clearTimeout(keepTimer);
  keepTimer = setTimeout(keepNow, 300);
}
function keepNow() {
  if (gone) return;
  const entries = entriesOf(form);
  if (empty(entries)) store.clear();
  else store.write(pack(Date.now(), entries, files));
}
window.addEventListener("pagehide", keepNow);

function restore() {
  const kept = unpack(store.read(), Date.now());
  if (!kept || form.elements.revises.value || !summary.hidden || !empty(entriesOf(form)) || new URLSearchParams(location.search).has("preset")) return;
  const entries = kept.entries;
  const byName = new Map();
  for (const [name, v] of entries) if (!byName.has(name)) byName.set(name, v);
  for (const e of form.elements) if (e.type === "checkbox" && e.name) e.checked = byName.has(e.name);
  for (const li of rows.all()) li.remove();
  for (const [name, v] of entries) if (name === "row") rows.add(v);
  for (const [name, v] of byName) if (!["row", "do"].includes(name)) setField(form, name, v);
  files = {};
  for (const key of rows.keys()) {
    const name = rows.name(key);
    const li = rows.row(key);
    if (name) li.querySelector(".filename").textContent = name;
    if (rows.hidden(key, "sha").value) rows.state(key, "done");
    else if (name) {
      files[key] = kept.files[key] || { mark: "", name };
      rows.state(key, "waiting", "Choose it again");
    }
    const more = li.querySelector("details");
    more.open = [...more.querySelectorAll("input")].some((e) => e.value !== "");
  }
  askAgain();
  tell("The form is as you left it.");
}

function askAgain() {
  const names = Object.keys(files).filter((k) => !uploads.get(k)).map((k) => files[k].name);
  again.hidden = names.length === 0;
  again.querySelector("ul").replaceChildren(
    ...names.map((n) => {
      const li = document.createElement("li");
      li.textContent = n;
      return li;
    }),
  );
}

// Files.
const known = new Map(); // heads by mark
async function take(list, into) {
  let refused = 0;
  for (const file of list) {
    const header = await readHeader((at, n) => file.slice(at, at + n).arrayBuffer(), file.size);
    known.set(mark(file), header);
    let key = into || claim(files, file);
    if (!key || !rows.row(key)) key = rows.add();
    if (!key) {
      refused++;
      continue;
    }
    delete files[key];
    rows.file(key, file, header);
    touched.add(fieldID(key + ".file"));
    if (file.size === 0 || !usable(file.name, header)) {
      uploads.remove(key);
      rows.state(key, "failed", file.size === 0 ? "The file is empty" : "Not WAV, FLAC or AIFF: it is not sent");
      continue;
    }
    files[key] = { mark: mark(file), name: file.name };
    uploads.add(key, file);
  }
  askAgain();
  const n = list.length - refused;
  tell(`${n} ${n === 1 ? "file was" : "files were"} added.` + (refused ? ` There may be ${rows.most} tracks at most; ${refused} left out.` : ""));
  if (studio() === null) {
    touched.add(fieldID("studio"));
    tell("Say first for which studio; then the files are sent.");
  }
  changed();
}

let told = 0;
let toldShare = -1;
const overall = document.getElementById("overall");
function progress(item) {
  rows.sending(item);
  const all = [...uploads.items.values()];
  const left = uploads.pending();
  const sent = all.reduce((n, i) => n + i.sent, 0);
  const total = all.reduce((n, i) => n + i.total, 0);
  const share = total ? Math.floor((100 * sent) / total) : 0;
  overall.hidden = left.length === 0;
  const lost = left.some((i) => i.state === "lost");
  overall.textContent = `${left.length} of ${all.length} still to be sent, ${share} % of all is there.` + (lost ? " The connection is lost; it goes on by itself." : "");
  // Read aloud at every tenth, and not more often than every ten seconds.
  const now = Date.now();
  if (left.length && now - told > 10000 && Math.floor(share / 10) !== toldShare) {
    told = now;
    toldShare = Math.floor(share / 10);
    tell(overall.textContent);
  }
  if (item.state === "failed" || item.state === "lost") {
    if (item.said !== item.words) tell(item.file.name + ": " + item.words);
    item.said = item.words;
  }
  busy();
}

function arrived(item) {
  delete files[item.key];
  rows.hidden(item.key, "sha").value = item.sha;
  tell(item.file.name + " is handed in.");
  changed();
  if (wish && !uploads.pending().length) submit();
}

const uploads = new Uploads({ tus: window.tus, owner: form.dataset.owner, studio, changed: progress, done: arrived });
const rows = new Rows({
  list: document.getElementById("tracks"),
  blank: document.getElementById("blank"),
  most: Number(form.dataset.maxRows),
  changed,
  tell,
  dropped(key) {
    uploads.remove(key);
    delete files[key];
    askAgain();
    busy();
  },
  hold: (key) => uploads.hold(key),
  go: (key) => uploads.go(key),
  replaced: (key, file) => take([file], key),
});

// Submitting.
function busy() {
  const n = uploads.pending().length;
  if (wish && n) sendWord.textContent = `It is submitted as soon as ${n === 1 ? "one more file is" : n + " more files are"} sent.`;
  else if (wish) sendWord.textContent = "Submitting.";
  else sendWord.textContent = "";
  send.textContent = wish && n ? "Do not submit yet" : "Submit";
}

let trying = 0;
let asking = false;
async function submit() {
  if (asking) return;
  asking = true;
  clearTimeout(trying);
  busy();
  try {
    for (let n = 0; wish; n++) {
      let said;
      try {
        // While files are on their way, everything else is examined.
        said = await ask(uploads.pending().length ? "check" : "submit");
      } catch {
        said = { retry: true, faults: [{ field: "", id: "", label: "", text: "The service cannot be reached. Nothing is lost; it is tried again.", hint: "" }] };
      }
      if (said.location) {
        gone = true;
        store.clear();
        location.assign(said.location);
        return;
      }
      if (said.key) form.elements.key.value = said.key;
      everything = true;
      if (said.retry) showSummary(summary, said.faults || []);
      else show(said);
      if ((said.faults || []).length === 0) {
        if (uploads.pending().length) return; // arrived goes on
        continue;
      }
      if (!said.retry) {
        wish = false;
        summary.focus();
        return;
      }
      sendWord.textContent = "The service cannot be reached; it is tried again.";
      await new Promise((go) => (trying = setTimeout(go, waitMS(n))));
    }
  } finally {
    asking = false;
    if (!gone) busy();
  }
}

form.addEventListener("submit", (e) => {
  const step = e.submitter ? e.submitter.value : "check";
  e.preventDefault();
  if (step === "submit") {
    wish = !(wish && uploads.pending().length);
    busy();
    if (wish) submit();
  } else if (step.startsWith("preset")) preset(step);
  else {
    everything = true;
    check().then(() => !summary.hidden && summary.focus());
  }
});

async function preset(step) {
  let said;
  try {
    said = await ask(step);
  } catch {
    tell("The service cannot be reached. Try again in a moment.");
    return;
  }
  const list = said.faults || [];
  showFaults(form, list, new Set(["f-preset", "f-preset_name", ...list.map((f) => f.id)]));
  if (list.length) {
    showSummary(summary, list);
    summary.focus();
    return;
  }
  // What the summary said of presets is mended; what it says of the side may still hold.
  for (const a of summary.querySelectorAll("a[href='#f-preset'], a[href='#f-preset_name']")) a.closest("li").remove();
  summary.hidden = !summary.querySelector("li");
  for (const [name, v] of Object.entries(said.values || {})) setField(form, name, v);
  if (step === "preset-save") {
    document.getElementById("no-presets")?.remove();
    // A list that was not there yet comes with the next page.
    const choice = form.elements.preset;
    if (choice) for (const n of said.presets || []) if (![...choice.options].some((o) => o.value === n)) choice.add(new Option(n, n));
  }
  const line = document.createElement("p");
  line.className = "notice";
  line.textContent = said.notice || "";
  document.getElementById("f-preset-fault").after(line);
  setTimeout(() => line.remove(), 15000);
  tell(said.notice || "");
  changed();
}

async function room(input) {
  const file = input.files[0];
  if (!file) return;
  const word = document.getElementById("room-word");
  const fail = (text) => showFaults(form, [{ id: "f-room_file", text, hint: "" }], new Set(["f-room_file"]));
  if (file.size > 1 << 20) {
    fail("A room file has 1 MB at most. Is this the right file?");
    return;
  }
  word.textContent = "Being sent. ";
  try {
    const body = new FormData();
    body.append("file", file, file.name);
    const s = studio();
    const answer = await fetch("/v1/mixes" + (s ? "?studio=" + encodeURIComponent(s) : ""), { method: "POST", body, credentials: "same-origin" });
    const said = await answer.json();
    if (!answer.ok) {
      word.textContent = "";
      fail(said.detail || said.title);
      return;
    }
    form.elements.room_sha.value = said.mixes[0].sha256;
    form.elements.room_name.value = file.name;
    pick(form.elements.room, "file");
    word.textContent = "Handed in: " + file.name + ". ";
    input.value = "";
    touched.add("f-room_file");
    changed();
  } catch {
    word.textContent = "";
    fail("The service cannot be reached. Choose the file again in a moment.");
  }
}

form.addEventListener("input", (e) => {
  if (e.target.name === "level") document.getElementById("level-set").checked = true;
  changed();
});
form.addEventListener("change", (e) => {
  if (e.target.id) touched.add(e.target.id);
  if (e.target.id === "f-room_file") room(e.target);
  if (e.target.id === "pick") {
    const list = [...e.target.files];
    e.target.value = "";
    take(list);
    return;
  }
  if (e.target.name === "studio") uploads.next();
  changed();
});
document.addEventListener("click", (e) => {
  const a = e.target.closest('a[href^="#f-"]');
  if (!a) return;
  e.preventDefault();
  reveal(a.hash.slice(1));
});

// Files may be dropped anywhere on the page.
const drop = document.getElementById("drop");
const carries = (e) => e.dataTransfer && [...e.dataTransfer.types].includes("Files");
window.addEventListener("dragover", (e) => {
  if (!carries(e)) return;
  e.preventDefault();
  drop.classList.add("over");
});
window.addEventListener("dragleave", (e) => {
  if (!e.relatedTarget) drop.classList.remove("over");
});
window.addEventListener("drop", (e) => {
  drop.classList.remove("over");
  if (!carries(e)) return;
  e.preventDefault();
  const entries = [...e.dataTransfer.items].map((i) => [i, i.webkitGetAsEntry ? i.webkitGetAsEntry() : null]);
  const list = entries.filter(([i, d]) => i.kind === "file" && !(d && d.isDirectory)).map(([i]) => i.getAsFile()).filter(Boolean);
  if (list.length < entries.length) tell("Folders are left out: drop the files themselves.");
  if (list.length) take(list);
});

document.getElementById("clear").addEventListener("click", () => {
  if (!confirm("Empty the whole form? Files that are being sent are given up.")) return;
  for (const key of [...uploads.items.keys()]) uploads.remove(key);
  gone = true;
  store.clear();
  location.assign(form.action);
});
window.addEventListener("beforeunload", (e) => {
  if (!gone && uploads.pending().some((i) => i.state !== "failed")) e.preventDefault();
});

document.documentElement.classList.add("scripted");
drop.hidden = false;
document.getElementById("clear").hidden = false;
for (const key of rows.keys()) {
  const li = rows.row(key);
  if (!rows.name(key) && ![...li.querySelectorAll("input[value]")].some((i) => i.type !== "hidden" && i.type !== "file" && i.value)) li.remove();
  else if (rows.hidden(key, "sha").value) rows.state(key, "done");
}
rows.number();
restore();
check();
