// Reads what a sound file says of itself from its head: WAV (RIFF, RF64, BW64),
// AIFF, AIFF-C and FLAC. It reads small pieces only, whatever the file's size.
// What it cannot make sense of is null, "not known yet": the service reads the
// file itself and has the last word.

const mostChunks = 64;
const piece = 64;

// readHeader takes slice(offset, length), which resolves to an ArrayBuffer of at
// most that length, and the size of the file. It resolves to
// { kind, rate, channels, bits, float, frames } or null.
export async function readHeader(slice, size) {
  try {
    const head = await view(slice, 0, piece, size);
    if (head.byteLength < 12) return null;
    switch (tag(head, 0)) {
      case "RIFF":
      case "RF64":
      case "BW64":
        return tag(head, 8) === "WAVE" ? await wave(slice, size) : null;
      case "FORM":
        return tag(head, 8) === "AIFF" || tag(head, 8) === "AIFC" ? await aiff(slice, size, tag(head, 8) === "AIFC") : null;
      case "fLaC":
        return flac(head);
    }
  } catch {
    // A head that ends early or lies says nothing.
  }
  return null;
}

async function view(slice, at, length, size) {
  if (at < 0 || at >= size) return new DataView(new ArrayBuffer(0));
  return new DataView(await slice(at, Math.min(length, size - at)));
}

function tag(v, at) {
  return String.fromCharCode(v.getUint8(at), v.getUint8(at + 1), v.getUint8(at + 2), v.getUint8(at + 3));
}

function sane(h) {
  const whole = (n, low, high) => Number.isSafeInteger(n) && n >= low && n <= high;
  return h && whole(h.rate, 1, 1 << 20) && whole(h.channels, 1, 1024) && whole(h.bits, 0, 64) && whole(h.frames, 0, 2 ** 50) ? h : null;
}

// wave walks the chunks: EBU Tech 3306 for RF64, whose ds64 holds sizes of 64 bits.
async function wave(slice, size) {
  let format = null;
  let long = 0;
  let at = 12;
  for (let n = 0; n < mostChunks; n++) {
    const v = await view(slice, at, piece, size);
    if (v.byteLength < 8) return null;
    const name = tag(v, 0);
    let length = v.getUint32(4, true);
    if (name === "ds64" && v.byteLength >= 32) long = Number(v.getBigUint64(16, true));
    if (name === "fmt " && v.byteLength >= 24) {
      let code = v.getUint16(8, true);
      let bits = v.getUint16(22, true);
      const extensible = code === 0xfffe && length >= 40 && v.byteLength >= 34;
      if (extensible) {
        code = v.getUint16(32, true);
        bits = v.getUint16(26, true) || bits;
      }
      if (code !== 1 && code !== 3) return null;
      format = { channels: v.getUint16(10, true), rate: v.getUint32(12, true), align: v.getUint16(20, true), bits, float: code === 3 };
    }
    if (name === "data") {
      if (!format || !format.align) return null;
      const rest = size - at - 8;
      // Written by a pipe, or never finished: what is there counts.
      if (length === 0xffffffff) length = long || rest;
      if (length === 0) length = rest;
      const frames = Math.floor(Math.min(length, rest) / format.align);
      return sane({ kind: "wav", rate: format.rate, channels: format.channels, bits: format.bits, float: format.float, frames });
    }
    at += 8 + length + (length & 1);
  }
  return null;
}

async function aiff(slice, size, compressed) {
  let at = 12;
  for (let n = 0; n < mostChunks; n++) {
    const v = await view(slice, at, piece, size);
    if (v.byteLength < 8) return null;
    const length = v.getUint32(4);
    if (tag(v, 0) === "COMM" && v.byteLength >= 26) {
      let float = false;
      if (compressed) {
        const how = tag(v, 26);
        if (!["NONE", "sowt", "twos", "in24", "in32", "fl32", "FL32", "fl64", "FL64"].includes(how)) return null;
        float = /^fl/i.test(how);
      }
      return sane({ kind: "aiff", channels: v.getUint16(8), frames: v.getUint32(10), bits: v.getUint16(14), rate: extended(v, 16), float });
    }
    at += 8 + length + (length & 1);
  }
  return null;
}

// extended is the 80-bit number of IEEE 754 in which AIFF has its rate.
function extended(v, at) {
  const exponent = v.getUint16(at);
  const mantissa = v.getBigUint64(at + 2);
  if (exponent & 0x8000 || mantissa === 0n) return 0;
  return Math.round(Number(mantissa) * 2 ** (exponent - 16383 - 63));
}

// flac reads STREAMINFO (RFC 9639, section 8.2): 20 bits of rate, 3 of channels
// less one, 5 of bits less one, 36 of frames, 0 if they are not known.
function flac(v) {
  if (v.byteLength < 42 || (v.getUint8(4) & 0x7f) !== 0) return null;
  const packed = v.getBigUint64(18);
  const frames = Number(packed & 0xfffffffffn);
  if (frames === 0) return null;
  return sane({ kind: "flac", rate: Number(packed >> 44n), channels: Number((packed >> 41n) & 7n) + 1, bits: Number((packed >> 36n) & 31n) + 1, float: false, frames });
}
