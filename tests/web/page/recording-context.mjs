// A canvas context that draws nothing and remembers everything: what was filled, stroked and written, where, in which
// colour, dash and clip. Whatever the page begins to use that is not here fails by name.

const NEW_STATE = {
  fillStyle: "#000",
  strokeStyle: "#000",
  lineWidth: 1,
  lineCap: "butt",
  lineJoin: "miter",
  font: "10px sans-serif",
  textAlign: "start",
  textBaseline: "alphabetic",
};

/** marks: [{kind: fill | stroke | text | clear, paths: [{points: [[x, y]], closed}], color, width, dash, cap, clip, ...}] in order. */
export class RecordingContext {
  constructor() {
    this.marks = [];
    this.scale = 1;
    this.paths = [];
    this.dash = [];
    this.clipped = null;
    this.saved = [];
    Object.assign(this, NEW_STATE);
  }

  setTransform(a, b, c, d, e, f) {
    if (b || c || e || f || a !== d) throw new Error("only a scale is expected");
    this.scale = a;
  }

  save() {
    const styles = Object.fromEntries(Object.keys(NEW_STATE).map((name) => [name, this[name]]));
    this.saved.push({ styles, dash: this.dash, clipped: this.clipped });
  }

  restore() {
    const { styles, dash, clipped } = this.saved.pop();
    Object.assign(this, styles);
    Object.assign(this, { dash, clipped });
  }

  setLineDash(dash) {
    this.dash = [...dash];
  }

  beginPath() {
    this.paths = [];
  }

  moveTo(x, y) {
    this.paths.push({ points: [[x, y]], closed: false });
  }

  lineTo(x, y) {
    if (!this.paths.length) this.moveTo(x, y);
    else this.paths.at(-1).points.push([x, y]);
  }

  rect(x, y, w, h) {
    this.paths.push({ points: corners(x, y, w, h), closed: true });
  }

  closePath() {
    this.paths.at(-1).closed = true;
  }

  clip() {
    this.clipped = copy(this.paths);
  }

  fill() {
    this.mark("fill", this.paths, { color: this.fillStyle });
  }

  stroke() {
    this.mark("stroke", this.paths, { color: this.strokeStyle, width: this.lineWidth, dash: this.dash, cap: this.lineCap });
  }

  fillRect(x, y, w, h) {
    this.mark("fill", [{ points: corners(x, y, w, h), closed: true }], { color: this.fillStyle });
  }

  strokeRect(x, y, w, h) {
    this.mark("stroke", [{ points: corners(x, y, w, h), closed: true }], {
      color: this.strokeStyle,
      width: this.lineWidth,
      dash: this.dash,
      cap: this.lineCap,
    });
  }

  clearRect(x, y, w, h) {
    this.mark("clear", [{ points: corners(x, y, w, h), closed: true }], {});
  }

  fillText(text, x, y) {
    this.mark("text", [{ points: [[x, y]], closed: false }], {
      color: this.fillStyle,
      text,
      font: this.font,
      align: this.textAlign,
      baseline: this.textBaseline,
    });
  }

  /** Every letter is 7 px wide here. */
  measureText(text) {
    return { width: 7 * text.length };
  }

  strokeText() {} // a halo round a text that fillText writes

  mark(kind, paths, more) {
    for (const [x, y] of paths.flatMap((path) => path.points)) {
      if (!Number.isFinite(x) || !Number.isFinite(y)) throw new Error(`${kind} at ${x}, ${y}`);
    }
    this.marks.push({ kind, paths: copy(paths), clip: this.clipped, dash: [], ...more });
  }

  /** Marks of a kind, in a colour if one is given. */
  of(kind, color = null) {
    return this.marks.filter((mark) => mark.kind === kind && (color === null || mark.color === color));
  }
}

function corners(x, y, w, h) {
  return [
    [x, y],
    [x + w, y],
    [x + w, y + h],
    [x, y + h],
  ];
}

function copy(paths) {
  return paths.map(({ points, closed }) => ({ points: points.map((point) => [...point]), closed }));
}

/** Heights at which the outline of paths crosses the vertical through x, from the top down, without repeats. */
export function crossings(paths, x) {
  const found = [];
  for (const { points, closed } of paths) {
    const line = closed ? [...points, points[0]] : points;
    for (let k = 1; k < line.length; k++) {
      const [[x0, y0], [x1, y1]] = [line[k - 1], line[k]];
      if (x0 === x1 || (x - x0) * (x - x1) > 0) continue;
      found.push(y0 + ((x - x0) / (x1 - x0)) * (y1 - y0));
    }
  }
  found.sort((a, b) => a - b);
  return found.filter((y, k) => k === 0 || y - found[k - 1] > 1e-6);
}

/** {left, right, top, bottom} of everything in paths. */
export function boundsOf(paths) {
  const points = paths.flatMap((path) => path.points);
  const [xs, ys] = [points.map((point) => point[0]), points.map((point) => point[1])];
  return { left: Math.min(...xs), right: Math.max(...xs), top: Math.min(...ys), bottom: Math.max(...ys) };
}

/** Every colour of the page by its own name, so that a swap shows. */
export const COLORS = Object.fromEntries(
  [
    "ink",
    "ink2",
    "line",
    "edge",
    "panel",
    "in",
    "inTint",
    "above",
    "aboveTint",
    "below",
    "belowTint",
    "rest",
    "restTint",
    "sleeve",
    "target",
  ].map((name) => [name, name]),
);
