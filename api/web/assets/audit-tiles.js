// Fetches tiles of the time line: few at once, the ones wanted last first.
import { TileStore, readTile, tileBins, tileSpan } from "./audit-time.js";

const atOnce = 3;

export class Tiles {
  // arrived is called after each tile; failed once, with words, when there is
  // nothing to be had.
  constructor(url, lengthS, arrived, failed) {
    this.url = url;
    this.lengthS = lengthS;
    this.arrived = arrived;
    this.failed = failed;
    this.store = new TileStore(240);
    this.under = new Set();
    this.wanted = [];
    this.tired = new Map(); // key: not before
    this.gone = false;
  }

  // want asks for tiles; what an earlier call asked for and nobody has begun to
  // fetch is forgotten.
  want(list) {
    this.wanted = list.filter(({ level, index }) => !this.store.get(level, index));
    this.next();
  }

  next() {
    while (!this.gone && this.under.size < atOnce) {
      const now = performance.now();
      const k = this.wanted.findIndex(({ level, index }) => {
        const key = level + "/" + index;
        return !this.under.has(key) && !(this.tired.get(key) > now);
      });
      if (k < 0) return;
      const [tile] = this.wanted.splice(k, 1);
      this.fetch(tile);
    }
  }

  async fetch({ level, index }) {
    const key = level + "/" + index;
    this.under.add(key);
    const { from, to } = tileSpan(this.lengthS, level, index);
    try {
      const answer = await fetch(`${this.url}?bins=${tileBins}&from_s=${from}&to_s=${to}`, { credentials: "same-origin" });
      if (answer.ok) {
        const tile = readTile(await answer.json());
        if (level) tile.heads = null; // the first one tells which lanes there are
        this.store.put(level, index, tile);
        this.under.delete(key);
        this.arrived(level, index);
      } else if (answer.status === 404 || answer.status === 410 || answer.status === 401 || answer.status === 403) {
        this.gone = true;
        this.failed(answer.status);
      } else {
        this.later(key, Number(answer.headers.get("Retry-After")) || 2);
      }
    } catch {
      this.later(key, 2);
    } finally {
      this.under.delete(key);
      this.next();
    }
  }

  later(key, seconds) {
    this.tired.set(key, performance.now() + 1000 * seconds);
    setTimeout(() => this.arrived(), 1000 * seconds + 50); // a new drawing asks again
  }
}
