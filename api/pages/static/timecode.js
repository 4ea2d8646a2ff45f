// Labels of frames, in whole numbers: the same rule as shared/timecode.py (SMPTE ST 12-1).

const DROPPED = { 30: 2, 60: 4 };
const two = (number) => String(number).padStart(2, "0");

export const nominal = (num, den) => Math.max(1, Math.floor((2 * num + den) / (2 * den)));

/** The label of a frame, counted on over midnight as a running clock would. */
export function label(frames, num, den, drop = false) {
  const rate = nominal(num, den);
  const dropped = drop ? DROPPED[rate] : 0;
  const day = 1440 * rate * 60 - dropped * (1440 - 144);
  let count = ((frames % day) + day) % day;
  if (drop) {
    const short = rate * 60 - dropped;
    const tens = Math.floor(count / (short * 10 + dropped));
    const rest = count % (short * 10 + dropped);
    count += dropped * 9 * tens;
    if (rest > short) count += dropped * Math.floor((rest - dropped) / short);
  }
  const seconds = Math.floor(count / rate);
  const unit = String(count % rate).padStart(String(Math.max(rate - 1, 10)).length, "0");
  const clock = `${two(Math.floor(seconds / 3600))}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
  return `${clock}${drop ? ";" : ":"}${unit}`;
}

/** The frame whose start is nearest to a time that a player gives in seconds. */
export const frameAt = (seconds, num, den) => Math.round((seconds * num) / den);

/** A time inside the frame, so that no rounding lands in the one before it. */
export const insideOf = (frame, num, den) => ((frame + 0.5) * den) / num;
