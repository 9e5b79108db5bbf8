// Other devices, as the server tells of them: codes that are open, phones that joined.

import { fill, make, setText, show } from "./dom.js";

const MODULE_PX = 6;

/** Minutes that a code is still good for, at least 1; 0 when it is not. */
const PHONES_ONLY = "Each phone sees, rates and stops its own athlete alone. All of it ends with the session.";

export function minutesLeft(expiresS, passedS) {
  return Math.max(0, Math.ceil((expiresS - passedS) / 60));
}

/** "2 of 4": how many athletes have a phone of their own here */
export function countText(devices, seats) {
  const joined = new Set(devices.filter((device) => device.role === "athlete").map((device) => device.seat));
  return `${joined.size} of ${seats.length}`;
}

/** What a phone's browser will say before it joins, and how to tell that it is this computer. */
export function safetyText({ encrypted, fingerprint }) {
  if (!encrypted) return "Not encrypted: everyone on this network can read along. On a network of your own only.";
  if (!fingerprint) return "Encrypted.";
  return (
    "Encrypted. The phone's browser warns once, because nobody can vouch for an address at home: " +
    `go on if the certificate's SHA-256 fingerprint begins with ${fingerprint}.`
  );
}

export class Devices {
  /** box: where the cards go; send(seat, message) speaks to the server at a seat. */
  constructor(box, send) {
    this.box = box;
    this.send = send;
    this.shared = null;
    this.toldMs = 0;
    this.cards = new Map();
    this.grid = make("div", { class: "device-cards" });
    this.safety = make("p", { class: "small", "data-safety": "" });
    this.absent = make("ul", {});
    this.absentCard = make("section", { class: "device-card", "data-absent": "" }, make("h3", {}, "Not seated now"), this.absent);
    const away = make(
      "button",
      { type: "button", class: "secondary", onclick: () => send(1, { do: "revoke" }) },
      "Send all away",
    );
    box.replaceChildren(
      this.grid,
      this.absentCard,
      make("div", { class: "device-end" }, away, make("p", { class: "small" }, PHONES_ONLY), this.safety),
    );
  }

  tell(shared) {
    this.shared = shared;
    this.toldMs = performance.now();
  }

  /** seats: [{seat, athlete}]. Call when something was told, and now and then: codes grow old. */
  render(seats) {
    if (!this.shared) return;
    setText(this.safety, safetyText(this.shared));
    const absent = this.shared.absent ?? [];
    fill(this.absent, absent, () => absent.map((device) => this.absentRow(device, seats[0].seat)));
    show(this.absentCard, absent.length > 0);
    for (const { seat, athlete } of seats) this.card(seat, "athlete", `${athlete}’s phone`, seat);
    this.card(0, "coach", "Another coach", seats[0].seat);
  }

  devicesOf(seat) {
    return (this.shared?.devices ?? []).filter((device) => (device.seat ?? 0) === seat);
  }

  card(seat, role, name, at) {
    if (!this.cards.has(seat)) {
      const card = {
        name: make("h3", {}),
        devices: make("ul", {}),
        code: make("div", { class: "invitation", "aria-live": "polite" }),
      };
      card.invite = make("button", {
        type: "button",
        class: "secondary",
        "data-invite": role,
        onclick: () => this.send(at, { do: "invite", role }),
      });
      this.grid.append(
        make("section", { class: "device-card", "data-seat": seat }, card.name, card.devices, card.code, card.invite),
      );
      this.cards.set(seat, card);
    }
    const card = this.cards.get(seat);
    const own = this.devicesOf(seat);
    setText(card.name, name);
    fill(card.devices, own, (devices) => devices.map((device) => this.deviceRow(device, at)));
    show(card.devices, own.length > 0);
    const invitation = this.shared.invitations.find((each) => (each.seat ?? 0) === seat);
    const minutes = invitation ? minutesLeft(invitation.expires_s, (performance.now() - this.toldMs) / 1000) : 0;
    fill(card.code, minutes ? [invitation.code, minutes] : null, () =>
      minutes ? invitationParts(invitation, minutes, name) : [],
    );
    setText(card.invite, minutes ? "New code" : own.length ? "Invite one more" : "Make a code");
    card.invite.setAttribute("aria-label", `${card.invite.textContent}: ${name}`);
  }

  deviceRow(device, at) {
    const here = device.here ? "yes" : "no";
    return make("li", { "data-here": here }, make("span", {}, whereText(device)), this.sendAway(device, at));
  }

  absentRow(device, at) {
    return make("li", { "data-here": "no" }, make("span", {}, absentText(device)), this.sendAway(device, at));
  }

  sendAway({ number }, at) {
    return make(
      "button",
      {
        type: "button",
        "aria-label": `Send device ${number} away`,
        onclick: () => this.send(at, { do: "revoke", device: number }),
      },
      "Send away",
    );
  }
}

/** A phone that was paired earlier this evening, of an athlete who has no seat now. */
export function absentText({ number, athlete, left_s }) {
  const hours = Math.max(1, Math.ceil(left_s / 3600));
  return `${athlete ? `${athlete}’s phone` : "An athlete’s phone"}: may come back for ${hours} h (device ${number})`;
}

/** What is known of a device that joined; who invited it, where that was not this computer. */
export function whereText({ here, number, inviter }) {
  const where = here ? "Joined" : "Joined, now locked or out of reach";
  return inviter ? `${where} (device ${number}, invited by device ${inviter})` : `${where} (device ${number})`;
}

function invitationParts({ url, code, qr }, minutes, name) {
  const address = url.split("#")[0].replace(/^http:\/\//, "");
  const told = make("p", { class: "small" }, `Camera, or type it at ${address}. Once, within ${minutes} min.`);
  return [drawCode(qr, `QR code for ${name}`), make("strong", {}, code), told];
}

/** Dark on light in either colour scheme, with the margin of four modules that readers need. */
function drawCode(rows, name) {
  const side = (rows.length + 8) * MODULE_PX;
  const canvas = make("canvas", { width: side, height: side, class: "code", role: "img", "aria-label": name });
  const ctx = canvas.getContext("2d");
  ctx.fillStyle = "#ffffff";
  ctx.fillRect(0, 0, side, side);
  ctx.fillStyle = "#000000";
  rows.forEach((row, y) =>
    [...row].forEach(
      (module, x) => module === "1" && ctx.fillRect((x + 4) * MODULE_PX, (y + 4) * MODULE_PX, MODULE_PX, MODULE_PX),
    ),
  );
  return canvas;
}
