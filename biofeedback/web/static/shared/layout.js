// Byte layout of one update: the twin of layout.py, where the table is.

export const VERSION = 2;
export const STRIP_AT = 40;
const STALE = 1;

/** Decode one update. Returns null for anything that is not exactly one update of this version. */
export function decodeUpdate(buffer) {
  if (buffer.byteLength < STRIP_AT) return null;
  const view = new DataView(buffer);
  const channels = view.getUint8(3);
  const rows = view.getUint16(36, true);
  const stripAt = STRIP_AT + 8 * channels;
  if (view.getUint8(0) !== VERSION || buffer.byteLength !== stripAt + 8 * rows * channels) return null;
  const percent = new Array(channels);
  for (let k = 0; k < channels; k++) percent[k] = view.getFloat64(STRIP_AT + 8 * k, true);
  const size = rows * channels;
  const strip = new Float32Array(size);
  const levels = new Float32Array(size);
  for (let k = 0; k < size; k++) {
    strip[k] = view.getFloat32(stripAt + 4 * k, true);
    levels[k] = view.getFloat32(stripAt + 4 * (size + k), true);
  }
  return {
    bandState: view.getUint8(1),
    stale: (view.getUint8(2) & STALE) !== 0,
    revision: view.getUint32(4, true),
    timeS: view.getFloat64(8, true),
    level: view.getInt32(16, true),
    remainingS: view.getFloat32(20, true),
    inBandS: view.getFloat32(24, true),
    besideState: view.getUint8(38),
    countedS: view.getFloat32(28, true),
    firstLevel: view.getUint32(32, true),
    channels,
    rows,
    percent,
    strip,
    levels,
  };
}
