// One thing said over the page, with the answers that it may have.

import { $, fill, make, setData, setText, show } from "./dom.js";
import { sentence } from "./text.js";

/** @typedef {{level: string, what: string, cure?: string, actions?: {title: string, command: {do: string}}[]}} Banner */

/**
 * @param {Banner | null} banner
 * @param {import("../shared/types").Send} send
 */
export function showBanner(banner, send) {
  show($("banner"), Boolean(banner));
  fill($("banner-actions"), banner?.actions ?? [], (actions) =>
    actions.map(({ title, command }) => make("button", { type: "button", onclick: () => send(command) }, title)),
  );
  if (!banner) return;
  setData($("banner"), "level", banner.level === "info" ? "info" : "error");
  setText($("banner-what"), banner.what);
  setText($("banner-cure"), sentence(banner.cure));
}
