// Gains and excerpts of the players: numbers in, numbers out.

// excerptS is the length of the excerpts that are fetched, on a grid from 0, so
// that each is fetched once. It is whole in frames at every rate.
export const excerptS = 8;

export const fromDB = (db) => 10 ** (db / 20);
export const toDB = (ratio) => (ratio > 0 ? 20 * Math.log10(ratio) : -Infinity);

// matchedGains turns the louder of the two down, in dB, by integrated loudness
// (ITU-R BS.1770). Without both figures nothing is turned.
export function matchedGains(before, after) {
  if (!Number.isFinite(before) || !Number.isFinite(after)) return null;
  const quiet = Math.min(before, after);
  return { before: quiet - before + 0, after: quiet - after + 0 }; // + 0: no negative zero
}

// contextRate is the rate to decode and play at: the file's, so that samples pass
// unchanged; half of it above 96 kHz, to save memory where nothing is heard.
export const contextRate = (rateHz) => (rateHz > 96000 ? rateHz / 2 : rateHz);

// softCeiling is linear up to 0.7 and bends so that nothing passes 1: what is
// amplified by 40 dB must not hit the listener with full force. Odd, monotonous,
// and smooth where it begins to bend.
export function softCeiling(x) {
  const knee = 0.7;
  const a = Math.abs(x);
  if (a <= knee) return x;
  const rest = 1 - knee;
  return Math.sign(x) * (knee + rest * Math.tanh((a - knee) / rest));
}

// ceilingRange is how far the curve of the ceiling reaches: beyond, it is 1 to
// within a thousandth of a dB.
export const ceilingRange = 4;

// ceilingCurve is softCeiling for a wave shaper that is fed 1/ceilingRange. An odd
// number of points: silence stays silence.
export function ceilingCurve(points = 8193) {
  const out = new Float32Array(points);
  const mid = (points - 1) / 2;
  for (let i = 0; i < points; i++) out[i] = softCeiling(((i - mid) / mid) * ceilingRange);
  return out;
}

// onGrid rounds seconds to a frame.
export const onGrid = (s, rateHz) => Math.round(s * rateHz) / rateHz;

// nextPiece is what is played next from pos: within one excerpt, up to the end of
// the loop if pos is in it, or up to the end of the side. next is where it goes
// on, null at the end; seam says that it jumps there.
export function nextPiece(pos, lengthS, loop) {
  const index = Math.floor(pos / excerptS + 1e-9);
  let end = Math.min((index + 1) * excerptS, lengthS);
  let next = end >= lengthS - 1e-9 ? null : end;
  let seam = false;
  if (loop && pos < loop[1] && end >= loop[1] - 1e-9) {
    end = Math.min(loop[1], lengthS);
    next = loop[0];
    seam = true;
  }
  return { index, pos, len: end - pos, next, seam };
}

// loopAround is a loop over a passage with some of what is before and after, at
// least leastS long.
export function loopAround(startS, endS, lengthS, rollS = 0.75, leastS = 2) {
  const roll = Math.max(rollS, (leastS - (endS - startS)) / 2);
  const from = Math.max(0, startS - roll);
  const to = Math.min(lengthS, endS + roll);
  return [Number(from.toFixed(3)), Number(to.toFixed(3))];
}

// level measures samples: rms and peak, linear.
export function level(samples) {
  let sum = 0;
  let peak = 0;
  for (let i = 0; i < samples.length; i++) {
    const v = samples[i];
    sum += v * v;
    if (v > peak) peak = v;
    else if (-v > peak) peak = -v;
  }
  return { rms: Math.sqrt(sum / Math.max(1, samples.length)), peak };
}
