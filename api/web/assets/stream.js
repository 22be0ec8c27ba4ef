// Follows a stream of server-sent events, with a button to pause and words about
// where it stands, which are read aloud only when they change.
export class Stream {
  // events are handlers by name; resumed is called when updates go on after a pause.
  constructor(url, events, resumed) {
    this.url = url;
    this.events = events;
    this.resumed = resumed;
    this.button = document.getElementById("pause");
    this.word = document.getElementById("live-word");
    this.source = null;
    this.again = 0;
    this.button.hidden = false;
    this.button.addEventListener("click", () => this.toggle());
    this.follow();
  }

  tell(text) {
    if (this.word.textContent !== text) this.word.textContent = text;
  }

  get open() {
    return this.source !== null;
  }

  stop() {
    clearTimeout(this.again);
    if (this.source) this.source.close();
    this.source = null;
  }

  follow() {
    this.stop();
    this.source = new EventSource(this.url);
    this.source.addEventListener("open", () => this.tell("Updates come by themselves."));
    for (const [name, handler] of Object.entries(this.events)) this.source.addEventListener(name, handler);
    this.source.addEventListener("error", () => {
      if (!this.source) return;
      this.tell("The connection is lost; trying again.");
      // A browser gives up after a refusal; it tries by itself after a break.
      if (this.source.readyState === EventSource.CLOSED) this.again = setTimeout(() => this.follow(), 10000);
    });
  }

  toggle() {
    const paused = this.button.getAttribute("aria-pressed") !== "true";
    this.button.setAttribute("aria-pressed", String(paused));
    if (paused) {
      this.stop();
      this.tell("Updates are paused.");
    } else {
      this.follow();
      this.resumed?.();
    }
  }

  // end says that nothing more will come.
  end(text) {
    this.stop();
    // Whoever stands on the button must not be thrown to the top of the page.
    if (document.activeElement === this.button) document.getElementById("main").focus({ preventScroll: true });
    this.button.hidden = true;
    this.tell(text);
  }
}
