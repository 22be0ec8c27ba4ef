// The list of tracks: one row for each file, their order by buttons and by
// dragging.
import { bytesWords, declared, factsWords, moved, nextKey, spanWords } from "./submit-logic.js";

const stateWords = { waiting: "Waits to be sent", held: "Paused", sending: "Sending", storing: "Being stored", lost: "Trying again", failed: "Not handed in", done: "Handed in" };

export class Rows {
  constructor({ list, blank, most, changed, tell, dropped, hold, go, replaced }) {
    Object.assign(this, { list, blank, most, changed, tell, dropped, hold, go, replaced });
    this.dragged = null;
    list.addEventListener("click", (e) => this.click(e));
    list.addEventListener("change", (e) => {
      if (e.target.type !== "file" || !e.target.files.length) return;
      const file = e.target.files[0];
      e.target.value = "";
      this.replaced(this.keyOf(e.target), file);
    });
    list.addEventListener("dragstart", (e) => this.dragStart(e));
    list.addEventListener("dragover", (e) => this.dragOver(e));
    list.addEventListener("dragend", () => this.dragEnd());
    list.addEventListener("drop", (e) => {
      if (this.dragged) e.preventDefault();
    });
    for (const li of this.all()) this.dress(li);
    this.number();
  }

  all() {
    return [...this.list.children];
  }
  keys() {
    return this.all().map((li) => li.dataset.row);
  }
  row(key) {
    return this.all().find((li) => li.dataset.row === key);
  }
  keyOf(e) {
    return e.closest("li.track").dataset.row;
  }
  hidden(key, name) {
    return this.row(key).querySelector(`input[type=hidden][name="${key}.${name}"]`);
  }
  name(key) {
    return this.hidden(key, "name").value;
  }

  // add makes an empty row at the end; "" if there are as many as one side has.
  add(wanted) {
    if (this.all().length >= this.most) return "";
    const key = wanted || nextKey(this.keys());
    const li = this.blank.content.firstElementChild.cloneNode(true);
    for (const e of [li, ...li.querySelectorAll("*")]) {
      for (const a of e.attributes) if (a.value.includes("kNEW")) a.value = a.value.replaceAll("kNEW", key);
    }
    this.list.append(li);
    this.dress(li);
    this.number();
    return key;
  }

  // dress makes buttons of the server's rows act here.
  dress(li) {
    for (const b of li.querySelectorAll("button[name=do]")) {
      b.type = "button";
      b.dataset.act = b.value.split(":")[0];
      b.removeAttribute("name");
    }
    li.querySelector(".head").draggable = true;
    // Files come by the button for all; one for a single row is seldom needed.
    const more = li.querySelector("details");
    more.querySelector("summary").firstChild.textContent = this.list.dataset.more;
    more.append(...li.querySelectorAll(".choose > label, .choose > input"));
  }

  number() {
    const all = this.all();
    all.forEach((li, i) => {
      for (const s of li.querySelectorAll(".place")) s.textContent = i + 1;
      li.querySelector("[data-act=up]").disabled = i === 0;
      li.querySelector("[data-act=down]").disabled = i === all.length - 1;
    });
  }

  click(e) {
    const b = e.target.closest("button");
    if (!b) return;
    const key = this.keyOf(b);
    if (b.classList.contains("hold")) {
      (b.dataset.go ? this.go : this.hold)(key);
      return;
    }
    if (b.dataset.act === "up") this.shift(key, -1, b);
    if (b.dataset.act === "down") this.shift(key, 1, b);
    if (b.dataset.act === "drop") this.drop(key);
  }

  shift(key, by, button) {
    const from = this.keys().indexOf(key);
    const order = moved(this.keys(), from, from + by);
    this.order(order);
    if (button.disabled) button.parentElement.querySelector("[data-act=up]:enabled, [data-act=down]:enabled")?.focus();
    else button.focus();
    this.tell(`${this.name(key) || "The track"} is now track ${order.indexOf(key) + 1} of ${order.length}.`);
    this.changed();
  }

  order(keys) {
    for (const k of keys) this.list.append(this.row(k));
    this.number();
  }

  drop(key) {
    const i = this.keys().indexOf(key);
    const name = this.name(key) || "Track " + (i + 1);
    this.row(key).remove();
    this.number();
    const near = this.all()[Math.min(i, this.all().length - 1)];
    (near ? near.querySelector("[data-act=drop]") : document.getElementById("pick")).focus();
    this.tell(name + " was removed.");
    this.dropped(key);
    this.changed();
  }

  dragStart(e) {
    const head = e.target.closest && e.target.closest(".head");
    if (!head) return;
    this.dragged = head.closest("li.track");
    this.dragged.classList.add("held");
    e.dataTransfer.effectAllowed = "move";
    e.dataTransfer.setData("text/plain", this.dragged.dataset.row);
  }

  dragOver(e) {
    const over = e.target.closest("li.track");
    if (!this.dragged) return;
    e.preventDefault();
    if (!over || over === this.dragged) return;
    const box = over.getBoundingClientRect();
    const below = e.clientY > box.top + box.height / 2;
    if ((below ? over.nextElementSibling : over) !== this.dragged) this.list.insertBefore(this.dragged, below ? over.nextElementSibling : over);
  }

  dragEnd() {
    if (!this.dragged) return;
    const key = this.dragged.dataset.row;
    this.dragged.classList.remove("held");
    this.dragged = null;
    this.number();
    this.tell(`${this.name(key) || "The track"} is now track ${this.keys().indexOf(key) + 1} of ${this.keys().length}.`);
    this.changed();
  }

  // file shows a file that was chosen for a row, before anything is sent.
  file(key, file, header) {
    const li = this.row(key);
    this.hidden(key, "sha").value = "";
    this.hidden(key, "name").value = file.name;
    this.hidden(key, "declared").value = declared(header);
    li.querySelector(".filename").textContent = file.name;
    li.querySelector(".known").textContent = factsWords(header) + ", " + bytesWords(file.size);
    li.querySelector("label[for$=-file]").textContent = "Another file instead";
  }

  facts(key, words) {
    const p = this.row(key)?.querySelector(".known");
    if (p && p.textContent !== words) p.textContent = words;
  }

  // state shows how a file's upload stands.
  state(key, state, words) {
    const li = this.row(key);
    if (!li) return;
    const s = li.querySelector(".state");
    const text = words || stateWords[state] || "";
    if (s.textContent !== text) s.textContent = text;
    s.classList.toggle("bad", state === "failed");
    s.classList.toggle("good", state === "done");
  }

  sending(item) {
    const li = this.row(item.key);
    if (!li) return;
    this.state(item.key, item.state);
    const box = li.querySelector(".sending");
    box.hidden = item.state === "done";
    if (box.hidden) return;
    box.querySelector("progress").value = item.total ? (100 * item.sent) / item.total : 0;
    let words = `${bytesWords(item.sent)} of ${bytesWords(item.total)}`;
    if (item.state === "sending" && item.speed > 0) {
      words += `, ${bytesWords(item.speed)} a second`;
      const left = spanWords(item.left);
      if (left) words += `, about ${left} left`;
    }
    if (item.words) words = item.words + " " + words;
    box.querySelector(".sent").textContent = words;
    const b = box.querySelector(".hold");
    const go = item.state === "held" || item.state === "failed" || item.state === "lost";
    b.hidden = item.state === "storing";
    if (go !== Boolean(b.dataset.go)) {
      b.firstChild.textContent = go ? "Go on" : "Pause";
      if (go) b.dataset.go = "1";
      else delete b.dataset.go;
    }
  }
}
