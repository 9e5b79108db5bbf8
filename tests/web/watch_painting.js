// Remembers what was last painted on each canvas: texts and points since it was cleared.
window.painted = {};
const { fillText } = OffscreenCanvasRenderingContext2D.prototype;
OffscreenCanvasRenderingContext2D.prototype.fillText = function (text, ...at) {
  this.canvas.text = text; // written once, copied from then on
  return fillText.call(this, text, ...at);
};
for (const [name, note] of [
  ["clearRect", (kept) => Object.assign(kept, { texts: [], points: [] })],
  ["drawImage", (kept, picture) => kept.texts.push(picture.text)],
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
