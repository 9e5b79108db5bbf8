// Volume, mute and the Space key, as this browser last had them: the same box on every page that makes sound.

import { $, setText } from "./dom.js";

/** Wires the box to a player; returns mute(on). */
export function setUpSound(player) {
  const mute = (on) => {
    player.muted = on;
    $("mute").checked = on;
    localStorage.setItem("muted", on ? "yes" : "no");
    setText($("sound-name"), on ? "Sound off" : "Sound on");
    $("speaker").toggleAttribute("data-muted", on);
  };
  player.volume = Number(localStorage.getItem("volume") ?? 50) / 100;
  $("volume").value = String(Math.round(player.volume * 100));
  $("keys").checked = localStorage.getItem("keys") !== "no";
  $("mute").addEventListener("change", () => mute($("mute").checked));
  $("volume").addEventListener("input", () => {
    player.volume = Number($("volume").value) / 100;
    localStorage.setItem("volume", $("volume").value);
  });
  $("volume").addEventListener("change", () => player.play("below"));
  $("keys").addEventListener("change", () => localStorage.setItem("keys", $("keys").checked ? "yes" : "no"));
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, () => player.unlock(), { capture: true });
  mute(localStorage.getItem("muted") === "yes");
  return mute;
}
