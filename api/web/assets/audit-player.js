// The players' controls. What a test or a script needs to know stands in the
// element's data attributes: position, source, playing, loading, rms, loop, breaks.
import { excerptS, loopAround, matchedGains, toDB } from "./audit-gain.js";
import { clock, parseClock } from "./audit-time.js";
import { button, el, recall, remember, say } from "./audit-dom.js";
import { Deck, sources } from "./audit-deck.js";
import { Excerpts } from "./audit-sound.js";

const names = { before: "Mix (before)", after: "Premaster (after)", difference: "Difference", "as-traced": "As traced" };
const loudDB = 18; // from here on the difference can be as loud as the programme

const dB = (v, d = 1) => (v < 0 ? "−" : v > 0 ? "+" : "") + Math.abs(v).toFixed(d) + " dB";

export class Player {
  // o.moved(t) follows the position; o.step(n) goes n changes on.
  constructor(root, data, o) {
    this.root = root;
    this.data = data;
    this.o = o;
    this.loopOn = false;
    this.region = [0, Math.min(data.length_s, excerptS)];
    this.deck = new Deck(new Excerpts(data.job, data.length_s, data.rate_hz), data.length_s, { changed: () => this.show(), refused: (s, text) => this.refused(s, text) });
    this.gains = matchedGains(data.lufs[0] ?? NaN, data.lufs[1] ?? NaN);
    this.build();
    this.match();
    this.deck.setVolume(this.volumeDB());
    this.show();
  }

  build() {
    this.playButton = button("Play", () => this.toggle(), { className: "main", "aria-keyshortcuts": "Space" });
    this.where = el("span", { className: "where" });
    this.status = el("span", { role: "status" });
    this.loopButton = button("Loop", () => this.setLoopOn(!this.loopOn), { "aria-pressed": "false", "aria-keyshortcuts": "l" });
    const set = el("fieldset", {}, el("legend", { className: "away" }, "What you hear"));
    this.radios = {};
    sources.forEach((s, i) => {
      const radio = el("input", { type: "radio", name: "source", id: "source-" + s, value: s, "aria-keyshortcuts": String(i + 1) });
      radio.addEventListener("change", () => this.deck.choose(s));
      this.radios[s] = radio;
      set.append(el("span", { className: "source" }, radio, el("label", { htmlFor: radio.id }, names[s], el("kbd", { "aria-hidden": "true" }, String(i + 1)))));
    });

    const second = el("div", { className: "row" }, this.loopButton);
    if (this.data.changes.length) second.append(button("Change before", () => this.o.step(-1), { "aria-keyshortcuts": "p" }), button("Change after", () => this.o.step(1), { "aria-keyshortcuts": "n" }));

    this.matched = el("input", { type: "checkbox", id: "matched", checked: recall("matched", true) });
    this.matched.addEventListener("change", () => {
      remember("matched", this.matched.checked);
      this.match();
    });
    this.matchedWords = el("p", { className: "quiet", id: "matched-words" });
    this.matched.setAttribute("aria-describedby", "matched-words");

    this.volume = el("input", { type: "range", id: "volume", min: "-60", max: "0", step: "1", value: "-12" });
    this.volumeWords = el("span", { className: "number" });
    this.volume.addEventListener("input", () => {
      this.deck.setVolume(this.volumeDB());
      this.words();
    });

    this.gain = el("input", { type: "range", id: "diff-gain", min: "0", max: "40", step: "1", value: "0" });
    this.gainWords = el("span", { className: "number" });
    this.caution = el("p", { className: "said", id: "diff-caution" });
    this.gain.setAttribute("aria-describedby", "diff-caution");
    this.gain.addEventListener("input", () => {
      this.deck.setTrim("difference", Number(this.gain.value));
      this.words();
    });

    this.bar = el("div");
    this.meter = el("div", { className: "meter", "aria-hidden": "true" }, this.bar);
    this.levelWords = el("p", { className: "said" });

    const field = (id, i) => {
      const f = el("input", { id, className: "short", autocomplete: "off", inputMode: "text" });
      f.addEventListener("change", () => {
        const t = parseClock(f.value);
        const r = [...this.region];
        r[i] = t;
        if (t <= this.data.length_s && r[1] - r[0] >= 0.1) this.setRegion(r);
        else say(this.status, "A loop ends at least 0.1 s after it begins, within the side.");
        this.show();
      });
      return f;
    };
    this.from = field("loop-from", 0);
    this.to = field("loop-to", 1);
    const edges = el("div", { className: "row" }, el("label", { htmlFor: "loop-from" }, "from"), this.from, el("label", { htmlFor: "loop-to" }, "to"), this.to,
      button("Begin here", () => this.edge(0), { className: "small", "aria-keyshortcuts": "[" }), button("End here", () => this.edge(1), { className: "small", "aria-keyshortcuts": "]" }),
      button("Shorter", () => this.resizeLoop(-0.25), { className: "small" }), button("Longer", () => this.resizeLoop(0.25), { className: "small" }));

    this.keys = el("input", { type: "checkbox", id: "keys", checked: recall("keys", true) });
    this.keys.addEventListener("change", () => remember("keys", this.keys.checked));
    const list = el("ul", { className: "keys" });
    for (const [key, what] of [["Space", "play, pause"], ["1 2 3 4", "mix, premaster, difference, as traced"], ["L", "loop on, off"], ["[ ]", "loop begins, ends here"], ["N P", "change after, before"], ["M", "matched loudness on, off"], ["← →", "position; with Shift: view"], ["+ −", "closer, wider"], ["0", "whole side"], ["R", "one revolution"], ["Home End", "begin, end of the side"], ["V", "read the values out"]]) list.append(el("li", {}, el("kbd", {}, key), " " + what));

    const head = (...inner) => el("div", { className: "head" }, ...inner);
    second.append(this.status);
    this.root.append(el("div", { className: "row" }, this.playButton, this.where, set), second, el("div", { className: "dials" },
      el("div", {}, head(el("label", { htmlFor: "volume" }, "Volume"), this.volumeWords), this.volume),
      el("div", {}, head(el("span", {}, "Level going out")), this.meter, this.levelWords),
      el("div", {}, head(el("label", { htmlFor: "diff-gain" }, "Difference gain"), this.gainWords), this.gain, this.caution),
      el("div", {}, el("span", { className: "check" }, this.matched, el("label", { htmlFor: "matched" }, "Matched loudness")), this.matchedWords)),
      el("details", {}, el("summary", {}, "Loop: where it begins and ends"), edges),
      el("details", {}, el("summary", {}, "Keys"), el("p", { className: "check" }, this.keys, el("label", { htmlFor: "keys" }, "Single keys work on the whole page")), list));
    this.root.hidden = false;
    this.root.deck = this.deck; // for measuring what really goes out
  }

  // match turns the louder of mix and premaster down. As traced is the premaster
  // through a stylus, so it gets the premaster's gain; the difference gets none.
  match() {
    const on = this.matched.checked && this.gains;
    const g = on ? this.gains : { before: 0, after: 0 };
    this.deck.setTrim("before", g.before);
    this.deck.setTrim("after", g.after);
    this.deck.setTrim("as-traced", g.after);
    this.matched.disabled = !this.gains;
    let text = "Not possible: the integrated loudness of both is not known.";
    if (this.gains) {
      const [b, a] = this.data.lufs;
      const figures = `${b.toFixed(1).replace("-", "−")} LUFS before, ${a.toFixed(1).replace("-", "−")} after`;
      const [who, by] = this.gains.before < 0 ? ["The mix is", this.gains.before] : ["Premaster and as traced are", this.gains.after];
      if (Math.abs(by) < 0.05) text = `Nothing to turn down: ${figures}.`;
      else text = on ? `${who} turned down by ${Math.abs(by).toFixed(1)} dB: ${figures}.` : `Off: ${who.toLowerCase().replace("is", "would be").replace("are", "would be")} turned down by ${Math.abs(by).toFixed(1)} dB; ${figures}.`;
    }
    say(this.matchedWords, text + " The difference stays as it is.");
  }

  toggle() {
    if (this.deck.playing) this.deck.pause();
    else this.deck.play().catch(() => say(this.status, "This browser does not let the page play sound."));
  }

  seek(t) {
    if (this.loopOn && (t < this.region[0] - 1e-6 || t >= this.region[1])) this.setLoopOn(false);
    this.deck.seek(t);
    this.tell();
  }

  // around loops a passage with some of what is before and after it.
  around(startS, endS) {
    this.region = loopAround(startS, endS, this.data.length_s);
    this.loopOn = true;
    this.deck.loop = this.region;
    this.deck.seek(this.region[0]);
    this.show();
    this.o.looped(this.region);
    return this.region;
  }

  setRegion(region) {
    this.region = region.map((t) => Number(t.toFixed(3)));
    if (this.loopOn) this.deck.setLoop(this.region);
    this.show();
    this.o.looped(this.loopOn ? this.region : null);
  }

  setLoopOn(on) {
    this.loopOn = on;
    if (on) {
      const here = this.deck.position();
      if (here < this.region[0] || here >= this.region[1]) this.region = loopAround(here, here, this.data.length_s, 2);
    }
    this.deck.setLoop(on ? this.region : null);
    this.show();
    this.o.looped(on ? this.region : null);
  }

  edge(i) {
    const r = [...this.region];
    r[i] = this.deck.position();
    if (r[1] - r[0] < 0.1) r[1 - i] = i ? Math.max(0, r[1] - 2) : Math.min(this.data.length_s, r[0] + 2);
    if (r[1] - r[0] >= 0.1) this.setRegion(r);
  }

  resizeLoop(by) {
    const r = [Math.max(0, this.region[0] - by), Math.min(this.data.length_s, this.region[1] + by)];
    if (r[1] - r[0] >= 0.1) this.setRegion(r);
  }

  refused(source, text) {
    say(this.status, names[source] + ": " + text);
    this.show();
  }

  // volumeDB is what the dial stands at; its lowest end is off.
  volumeDB() {
    const v = Number(this.volume.value);
    return v <= -60 ? -200 : v;
  }

  words() {
    const v = Number(this.volume.value);
    const volume = v <= -60 ? "off" : dB(v, 0);
    say(this.volumeWords, volume);
    this.volume.setAttribute("aria-valuetext", volume);
    const g = Number(this.gain.value);
    say(this.gainWords, dB(g, 0));
    this.gain.setAttribute("aria-valuetext", dB(g, 0));
    this.caution.classList.toggle("caution", g >= loudDB);
    say(this.caution, g >= loudDB ? "▲ Loud where much was changed: turn the volume down first." : "Peaks are held at full scale.");
  }

  show() {
    const d = this.deck;
    say(this.playButton, d.playing ? "Pause" : "Play");
    for (const s of sources) this.radios[s].checked = s === (d.wanted || d.source);
    this.loopButton.setAttribute("aria-pressed", String(this.loopOn));
    say(this.loopButton, this.loopOn ? "Loop is on" : "Loop is off");
    this.from.value = clock(this.region[0], 3);
    this.to.value = clock(this.region[1], 3);
    if (d.loading) say(this.status, "Fetching sound …");
    else if (d.wanted) say(this.status, "Fetching " + names[d.wanted].toLowerCase() + "; " + names[d.source].toLowerCase() + " goes on meanwhile.");
    else if (/^Fetching/.test(this.status.textContent)) say(this.status, "");
    this.words();
    this.tell();
    if (!d.playing || this.ticking) return;
    this.ticking = true;
    requestAnimationFrame(() => this.tick());
  }

  tell() {
    const d = this.deck;
    const pos = d.position();
    say(this.where, clock(pos, 2));
    Object.assign(this.root.dataset, { position: pos.toFixed(4), source: d.source, playing: String(d.playing), loading: String(d.loading || Boolean(d.wanted)), loop: this.loopOn ? this.region.join("-") : "", breaks: String(d.breaks), gainDb: String(d.trims[d.source]) });
    this.o.moved(pos, d.playing);
  }

  // tick follows the sound, once a picture, and once more when it has ended.
  tick() {
    const playing = this.deck.playing;
    const l = this.deck.levels();
    this.root.dataset.rms = playing ? l.rms.toPrecision(5) : "0";
    this.tell();
    const db = toDB(l.rms);
    this.bar.style.transform = `scaleX(${Math.max(0, Math.min(1, (db + 60) / 60)).toFixed(3)})`;
    const now = performance.now();
    if (!playing || !(now - this.worded < 200)) {
      this.worded = now;
      this.meter.classList.toggle("hot", l.hot || l.peak > 0.9);
      const text = db < -90 ? "silence" : `${dB(db).replace("+", "")}FS rms, ${dB(toDB(l.peak)).replace("+", "")}FS peak`;
      say(this.levelWords, playing ? text + (l.hot ? ", held by the ceiling" : "") : "stopped");
    }
    this.ticking = playing;
    if (playing) requestAnimationFrame(() => this.tick());
  }

  // key obeys a single key; false if it is none of the players'.
  key(event) {
    const k = event.key.toLowerCase();
    const i = "1234".indexOf(k);
    const act = i >= 0 ? () => this.deck.choose(sources[i]) : { " ": () => this.toggle(), l: () => this.setLoopOn(!this.loopOn), "[": () => this.edge(0), "]": () => this.edge(1), n: () => this.o.step(1), p: () => this.o.step(-1), m: () => this.matched.click() }[k];
    if (!act) return false;
    act();
    return true;
  }
}
