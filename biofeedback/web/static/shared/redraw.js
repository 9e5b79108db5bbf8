// Drawing: once per frame at most, however often something changes.

const HIDDEN_MS = 100; // a page that nobody sees gets no frames, and must be heard all the same

/**
 * @param {() => void} draw
 * @returns {() => void} call it when something is to be drawn
 */
export function onceAFrame(draw) {
  let queued = false;
  let drawnMs = -Infinity;
  return () => {
    if (document.hidden) {
      if (performance.now() - drawnMs < HIDDEN_MS) return;
      drawnMs = performance.now();
      draw();
      return;
    }
    if (queued) return;
    queued = true;
    requestAnimationFrame(() => {
      queued = false;
      draw();
    });
  };
}
