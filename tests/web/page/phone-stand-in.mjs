// An athlete's page on a phone that can measure an angle.

import { COACH, openPressed } from "./live-stand-in.mjs";
import { CHANNEL, session } from "./sessions.mjs";

export const ANGLE = { name: "position_phone", kind: "position", unit: "deg", guide: false, calibrated: true, problem: null };
export const LIMITS = { warn: 5, fail: 10, text: "drifted over 5°, lost over 10°" };
export const PHONE = { state: "live", who: "", what: "", cure: "" };
const DEVICE = { window: { DeviceMotionEvent: class {} } };
export const ready = (phone, changes = {}) => session({ stage: "ready", phone, channels: [CHANNEL, ANGLE], ...changes });

/** The phone of an athlete, past the press before the first hold. */
export async function openPhone(state, more = {}) {
  const live = await openPressed(state, { path: "/athlete", you: { ...COACH, role: "athlete" }, more: DEVICE, ...more });
  live.claims = () => live.sent().filter((each) => each.do === "phone_angle");
  live.move = (x, y, z) =>
    live.fire(live.window, "devicemotion", { timeStamp: live.clock.ms, accelerationIncludingGravity: { x, y, z } });
  return live;
}
