// What this page lets be heard: nothing, tones, or tones and voice, as this browser last had it. On every page with sound,
// with the one press that browsers ask for before they give any.

import { awakeOutcome, tryAwake } from "./awake.js";
import { wordsOfCue } from "./cues.js";
import { $, fill, make, setText } from "./dom.js";
import { Player } from "./sound.js";
import { Voice } from "./voice.js";

const MODES = ["off", "tones", "voice"];

export class SoundBox {
  constructor() {
    this.player = new Player();
    this.voice = new Voice();
    this.mode = "voice";
    this.loud = "voice"; // what M comes back to
    const kept = localStorage.getItem("sound");
    this.choose(kept && MODES.includes(kept) ? kept : "voice");
    this.setVolume(Number(localStorage.getItem("volume") ?? 50));
    $("volume").value = String(Math.round(this.player.volume * 100));
    $("keys").checked = localStorage.getItem("keys") !== "no";
    $("pedals").value = localStorage.getItem("pedals") ?? "";
    $("pedals").addEventListener("change", () => localStorage.setItem("pedals", $("pedals").value));
    for (const mode of MODES) $(`sound-${mode}`).addEventListener("change", () => this.choose(mode));
    $("volume").addEventListener("input", () => this.setVolume(Number($("volume").value)));
    $("volume").addEventListener("change", () => this.play("below", null));
    $("keys").addEventListener("change", () => localStorage.setItem("keys", $("keys").checked ? "yes" : "no"));
    for (const kind of ["pointerdown", "pointerup", "keydown"])
      document.addEventListener(kind, () => this.player.unlock(), { capture: true });
    for (const button of document.querySelectorAll("[data-play]")) button.addEventListener("click", () => this.show());
  }

  /** @param {string} mode */
  choose(mode) {
    this.mode = mode;
    if (mode !== "off") this.loud = mode;
    else this.voice.silence();
    this.player.muted = mode === "off";
    $(`sound-${mode}`).checked = true;
    localStorage.setItem("sound", mode);
    $("speaker").toggleAttribute("data-muted", mode === "off");
    this.tell();
  }

  toggle() {
    this.choose(this.mode === "off" ? this.loud : "off");
  }

  /** @param {number} percent */
  setVolume(percent) {
    this.player.volume = percent / 100;
    this.voice.volume = percent / 100;
    localStorage.setItem("volume", String(percent));
  }

  /**
   * Let a cue be heard.
   * @param {string} cue
   * @param {import("./types").State | null} state
   */
  play(cue, state) {
    this.player.play(cue);
    const words = this.mode === "voice" ? wordsOfCue(cue, state) : null;
    if (words && this.player.isOpen) this.voice.say(words); // browsers that give no sound give no voice either
  }

  /** The press before the first hold: what it sounds like. */
  show() {
    this.player.unlock();
    tryAwake();
    setTimeout(() => this.play("sample", null), 150); // the browser opens sound a moment after the press
  }

  /** Call a few times a second: "Sound on" only where sound can come. */
  tell() {
    this.voice.check();
    const name = this.mode === "voice" && this.voice.canSpeak ? "Voice on" : "Sound on";
    setText($("sound-name"), this.mode === "off" ? "Sound off" : this.player.isOpen ? name : "Tap for sound");
    for (const list of document.querySelectorAll("[data-abilities]"))
      fill(list, this.abilities, (rows) => rows.map(([can, text]) => make("li", { "data-can": can ? "yes" : "no" }, text)));
  }

  /** What this page can do and what it cannot, in words. */
  get abilities() {
    const sound = this.player.isOpen;
    const voice = this.voice.canSpeak;
    const buzzes = typeof navigator.vibrate === "function" && matchMedia("(pointer: coarse)").matches;
    const refused = awakeOutcome() === "refused";
    const light = Boolean(navigator.wakeLock) && !refused;
    const dark = refused
      ? "Screen: this device refused to keep it lit; switch its battery saver off, or set it to stay on"
      : "Screen: set it to stay on; this browser cannot keep it lit";
    return [
      [sound, sound ? "Sound: ready" : "Sound: not before one press on this page"],
      [voice, voice ? "Voice: ready" : "Voice: none on this device; the tones say the same"],
      [buzzes, buzzes ? "Vibration: with each change" : "Vibration: not on this device"],
      [true, isSmall() ? "Number: large enough to read from 1.5 m on a phone" : "Number: large enough to read from 3 m"],
      [light, light ? `Screen: kept lit from the first hold to the last rest${awakeOutcome() ? ", tried just now" : ""}` : dark],
    ];
  }
}

/** Is this screen a phone's? How large a pixel is no browser tells; phones are much alike. */
function isSmall() {
  return Math.min(screen.width, screen.height) < 600;
}

/** @param {number | number[]} pattern in ms */
export function buzz(pattern) {
  if (navigator.userActivation?.hasBeenActive) navigator.vibrate?.(pattern);
}
