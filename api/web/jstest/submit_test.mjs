// Tests of the form's script that need no page. Run:
//
//	node --test api/web/jstest/
//
// Heads are built here byte by byte from the formats' own documents, and the
// files of pipeline/audio were written by other programs.
import assert from "node:assert/strict";
import { readdirSync, readFileSync } from "node:fs";
import { test } from "node:test";
import { readHeader } from "../assets/submit-header.js";
import * as logic from "../assets/submit-logic.js";

const from = (bytes) => {
  let most = 0;
  const slice = async (at, n) => {
    most = Math.max(most, n);
    return bytes.buffer.slice(bytes.byteOffset + at, bytes.byteOffset + Math.min(at + n, bytes.byteLength));
  };
  return { slice, most: () => most };
};
const read = (bytes, size = bytes.byteLength) => readHeader(from(bytes).slice, size);

const ascii = (s) => Buffer.from(s, "latin1");
const le = (n, v) => {
  const b = Buffer.alloc(n);
  if (n === 8) b.writeBigUInt64LE(BigInt(v));
  else b.writeUIntLE(v, 0, n);
  return b;
};
const be = (n, v) => {
  const b = Buffer.alloc(n);
  b.writeUIntBE(v, 0, n);
  return b;
};
const fmt = (code, ch, rate, bits, tail = Buffer.alloc(0)) =>
  Buffer.concat([ascii("fmt "), le(4, 16 + tail.length), le(2, code), le(2, ch), le(4, rate), le(4, (rate * ch * bits) / 8), le(2, (ch * bits) / 8), le(2, bits), tail]);
const wav = (head, ...chunks) => Buffer.concat([ascii(head), le(4, 0), ascii("WAVE"), ...chunks]);
const data = (size, there) => Buffer.concat([ascii("data"), le(4, size), Buffer.alloc(there)]);

test("WAV heads", async (t) => {
  const plain = { kind: "wav", rate: 48000, channels: 2, bits: 24, float: false, frames: 100 };
  const guid = Buffer.concat([le(2, 22), le(2, 24), le(4, 3), le(2, 1), Buffer.alloc(14)]);
  const ds64 = Buffer.concat([ascii("ds64"), le(4, 28), le(8, 0), le(8, 6e9), le(8, 1e9), le(4, 0)]);
  const cases = {
    "plain": [wav("RIFF", fmt(1, 2, 48000, 24), data(600, 600)), undefined, plain],
    "chunk of odd length before": [wav("RIFF", ascii("JUNK"), le(4, 3), Buffer.alloc(4), fmt(1, 2, 48000, 24), data(600, 600)), undefined, plain],
    "extensible": [wav("RIFF", fmt(0xfffe, 2, 48000, 24, guid), data(600, 600)), undefined, plain],
    "float": [wav("RIFF", fmt(3, 2, 48000, 32), data(800, 800)), undefined, { ...plain, bits: 32, float: true }],
    "written by a pipe": [wav("RIFF", fmt(1, 2, 48000, 24), data(0xffffffff, 600)), undefined, plain],
    "cut short": [wav("RIFF", fmt(1, 2, 48000, 24), data(60000, 600)), undefined, plain],
    "RF64": [wav("RF64", ds64, fmt(1, 2, 48000, 24), data(0xffffffff, 0)), 6000001000, { ...plain, frames: 1e9 }],
    "not PCM": [wav("RIFF", fmt(0x55, 2, 48000, 24), data(600, 600)), undefined, null],
    "no format": [wav("RIFF", data(600, 600)), undefined, null],
    "not WAVE": [Buffer.concat([ascii("RIFF"), le(4, 0), ascii("AVI "), Buffer.alloc(99)]), undefined, null],
  };
  for (const [name, [bytes, size, want]] of Object.entries(cases)) await t.test(name, async () => assert.deepEqual(await read(bytes, size), want));
});

test("AIFF heads", async (t) => {
  // 44100 and 96000 as extended numbers: Apple, AIFF 1.3, appendix; IEEE 754.
  const rates = { 44100: "400eac44000000000000", 96000: "400fbb80000000000000" };
  const comm = (rate, tail = Buffer.alloc(0)) => Buffer.concat([ascii("COMM"), be(4, 18 + tail.length), be(2, 2), be(4, 1000), be(2, 24), Buffer.from(rates[rate], "hex"), tail]);
  const aiff = (form, ...chunks) => Buffer.concat([ascii("FORM"), be(4, 0), ascii(form), ...chunks]);
  const want = { kind: "aiff", rate: 96000, channels: 2, bits: 24, float: false, frames: 1000 };
  await t.test("plain", async () => assert.deepEqual(await read(aiff("AIFF", comm(96000))), want));
  await t.test("44.1 kHz", async () => assert.deepEqual(await read(aiff("AIFF", comm(44100))), { ...want, rate: 44100 }));
  await t.test("after the sound", async () => assert.deepEqual(await read(aiff("AIFF", ascii("SSND"), be(4, 101), Buffer.alloc(102), comm(96000))), want));
  await t.test("little endian", async () => assert.deepEqual(await read(aiff("AIFC", comm(96000, ascii("sowt\0\0")))), want));
  await t.test("float", async () => assert.deepEqual(await read(aiff("AIFC", comm(96000, ascii("fl32\0\0")))), { ...want, float: true }));
  await t.test("lossy", async () => assert.equal(await read(aiff("AIFC", comm(96000, ascii("ima4\0\0")))), null));
});

test("FLAC heads", async () => {
  const info = (packed) => {
    const b = Buffer.alloc(42);
    b.write("fLaC", 0, "latin1");
    b[7] = 34;
    b.writeBigUInt64BE(packed, 18);
    return b;
  };
  const packed = (96000n << 44n) | (1n << 41n) | (23n << 36n) | 5_000_000_000n; // RFC 9639, 8.2
  assert.deepEqual(await read(info(packed)), { kind: "flac", rate: 96000, channels: 2, bits: 24, float: false, frames: 5e9 });
  assert.equal(await read(info(packed & ~0xfffffffffn)), null, "length not told");
});

// Files of the readers' own tests, written by other programs; their names say what
// is in them. What came through a pipe has no length in its head.
for (const kind of ["aiff", "flac"]) {
  const dir = new URL(`../../../pipeline/audio/${kind}/testdata/`, import.meta.url);
  for (const name of readdirSync(dir).filter((n) => /\.(aiff|aifc|flac)$/.test(n))) {
    test("file " + name, async () => {
      const bytes = readFileSync(new URL(name, dir));
      const f = from(bytes);
      const h = await readHeader(f.slice, bytes.length);
      const [, channels, bits, rate, coding] = name.match(/^(\w+)-(\d+)-(\d+)(?:-(\w+))?\./);
      if (channels === "piped") return assert.equal(h, null);
      assert.equal(h.channels, channels === "mono" ? 1 : 2);
      assert.equal(h.rate, Number(rate));
      assert.equal(h.float, Boolean(coding && coding.startsWith("fl")));
      if (!h.float) assert.equal(h.bits, Number(bits));
      assert.ok(h.frames > 0);
      assert.ok(f.most() <= 1024, "reads small pieces");
    });
  }
}

test("heads that are none say nothing, and never throw", async () => {
  const seed = wav("RIFF", fmt(1, 2, 48000, 24), data(600, 600));
  let x = 1;
  const random = (n) => (x = (x * 48271) % 2147483647) % n; // a generator of its own, the same each run
  for (let i = 0; i < 3000; i++) {
    const b = Buffer.from(seed.subarray(0, random(seed.length)));
    for (let n = random(8); n > 0 && b.length; n--) b[random(b.length)] = random(256);
    const h = await read(b);
    assert.ok(h === null || (h.rate > 0 && h.channels > 0 && h.frames >= 0));
  }
  assert.equal(await read(Buffer.alloc(0)), null);
  assert.equal(await readHeader(() => Promise.reject(new Error("gone")), 1000), null);
});

test("a loop of chunks ends", async () => {
  const many = Buffer.concat(Array(200).fill(Buffer.concat([ascii("JUNK"), le(4, 0)])));
  assert.equal(await read(wav("RIFF", many, fmt(1, 2, 48000, 24), data(6, 6))), null);
});

test("words", () => {
  assert.equal(logic.lengthWords(1120), "18:40");
  assert.equal(logic.lengthWords(0), "");
  assert.equal(logic.bytesWords(999), "999 bytes");
  assert.equal(logic.bytesWords(1234567), "1.2 MB");
  assert.equal(logic.spanWords(61), "61 s");
  assert.equal(logic.spanWords(600), "10 min");
  assert.equal(logic.spanWords(Infinity), "");
  assert.equal(logic.factsWords(null), "not known yet");
  assert.equal(logic.factsWords({ rate: 44100, channels: 1, bits: 16, float: false, frames: 44100 * 65 }), "1:05, 44.1 kHz, 16 bit, mono");
  assert.equal(logic.declared({ rate: 96000, channels: 2, bits: 24, float: true, frames: 7 }), "96000,2,24,1,7");
});

test("waiting grows to half a minute and has no end", () => {
  for (let n = 0; n < 100; n++) {
    const [low, high] = [logic.waitMS(n, () => 0), logic.waitMS(n, () => 1)];
    assert.ok(low >= 750 && high <= 37500 && low < high);
    if (n > 4) assert.ok(low >= 22500);
  }
});

test("speed over the last seconds", () => {
  const s = new logic.Speed(10000);
  assert.equal(s.perSecond(), 0);
  for (let t = 0; t <= 20; t++) s.add(t * 1000, t * 2e6);
  assert.equal(s.perSecond(), 2e6);
  assert.equal(s.left(60e6), 10);
  s.add(21000, 1e6); // a part was lost
  assert.equal(s.perSecond(), 0);
  assert.equal(s.left(60e6), Infinity);
});

test("order", () => {
  assert.deepEqual(logic.moved(["a", "b", "c"], 2, 0), ["c", "a", "b"]);
  assert.deepEqual(logic.moved(["a", "b"], 0, -1), ["a", "b"]);
  assert.deepEqual(logic.moved(["a", "b"], 1, 2), ["a", "b"]);
});

test("what to do with an answer", () => {
  for (const s of [0, 400, 404, 409, 410, 423, 429, 500, 502, 503, 507]) assert.ok(logic.after(s, null, "").again, String(s));
  for (const s of [401, 403, 413, 415, 422]) assert.ok(!logic.after(s, null, "").again, String(s));
  assert.equal(logic.after(429, null, "7").wait, 7000);
  assert.match(logic.after(422, { detail: "too many" }, "").words, /too many/);
  assert.match(logic.after(503, { code: "intake-paused", detail: "moving" }, "").words, /moving/);
});

test("the form as it is kept", () => {
  const day = 86400e3;
  const text = logic.pack(1000, [["side", "A"]], { k1: { mark: "a|1|2", name: "a" } });
  assert.deepEqual(logic.unpack(text, 1000 + 6 * day).entries, [["side", "A"]]);
  assert.equal(logic.unpack(text, 1000 + 8 * day), null);
  for (const bad of [null, "", "{", "[]", '{"v":2}', '{"v":1,"at":1000,"entries":[["a"]],"files":{}}', '{"v":1,"at":1000,"entries":[["a",1]],"files":{}}'])
    assert.equal(logic.unpack(bad, 1000), null, String(bad));
  assert.ok(logic.empty([["kind", "prepare"], ["side", " "], ["k1.gap_s", "2"]]));
  assert.ok(!logic.empty([["k1.name", "a.wav"]]));
  const files = { k2: { mark: logic.mark({ name: "a.wav", size: 3, lastModified: 4 }), name: "a.wav" } };
  assert.equal(logic.claim(files, { name: "a.wav", size: 3, lastModified: 4 }), "k2");
  assert.equal(logic.claim(files, { name: "a.wav", size: 5, lastModified: 4 }), "");
  assert.equal(logic.nextKey(["k1", "k3"]), "k2");
  assert.notEqual(logic.fingerprint("o", "a", { name: "x", size: 1, lastModified: 2 }), logic.fingerprint("o", "b", { name: "x", size: 1, lastModified: 2 }));
});

test("what may be sound", () => {
  for (const [name, head, want] of [["a.wav", null, true], ["a.AIFF", null, true], ["a.mp3", null, false], ["a", {}, true], ["wav", null, false]]) assert.equal(logic.usable(name, head), want, name);
});
