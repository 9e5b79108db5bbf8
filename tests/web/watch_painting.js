// Remembers what was last painted on each canvas: texts and points since it was cleared.
window.painted = {};
for (const [name, note] of [
  ["clearRect", (kept) => Object.assign(kept, { texts: [], points: [] })],
  ["fillText", (kept, text) => kept.texts.push(text)],
  ["moveTo", (kept, x, y) => kept.points.push([x, y])],
  ["lineTo", (kept, x, y) => kept.points.push([x, y])],
]) {
  const plain = CanvasRenderingContext2D.prototype[name];
  CanvasRenderingContext2D.prototype[name] = function (...args) {
    const kept = (window.painted[this.canvas.id] ??= { texts: [], points: [] });
    note(kept, ...args);
    return plain.apply(this, args);
  };
}
