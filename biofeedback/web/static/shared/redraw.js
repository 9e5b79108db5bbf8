// Drawing: once per frame at most, however often something changes.

/**
 * @param {() => void} draw
 * @returns {() => void} call it when something is to be drawn
 */
export function onceAFrame(draw) {
  let queued = false;
  return () => {
    if (queued) return;
    queued = true;
    requestAnimationFrame(() => {
      queued = false;
      draw();
    });
  };
}
