"""Who may enter from another device: one-time codes, exchanged for a right that ends with the session. Pure."""

from __future__ import annotations

import hmac
import secrets
from collections import deque
from dataclasses import dataclass
from typing import Literal, TypeAlias

from biofeedback.errors import SessionError

Role: TypeAlias = Literal["athlete", "coach"]

ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"  # without I, L, O, 0, 1, which are read wrong
CODE_LENGTH = 8  # 31^8 = 8.5e11 codes: at 10 tries a minute, guessing is hopeless in 10 min
VALID_S = 600.0
MAX_TRIES = 10
TRIES_WINDOW_S = 60.0


@dataclass(frozen=True, slots=True)
class Right:
    """What a device may reach: an athlete's one seat (see, rate, stop), counted from 1; a coach's all of them."""

    role: Role
    seat: int | None = None


COACH = Right("coach")


@dataclass(frozen=True, slots=True)
class OpenCode:
    """A code that nobody has used yet."""

    code: str
    right: Right
    until_s: float


@dataclass(frozen=True, slots=True)
class Device:
    """A device that joined; ``number`` counts them from 1 and is never used twice."""

    number: int
    right: Right


class Pairing:
    """Codes that are open and rights that were given. Nothing is written down; all of it ends with the object."""

    def __init__(self) -> None:
        self._codes: list[OpenCode] = []
        self._devices: dict[str, Device] = {}
        self._n_joined = 0
        self._tries_s: deque[float] = deque(maxlen=MAX_TRIES)

    def invite(self, right: Right, now_s: float) -> OpenCode:
        """A new code for one device; codes for the same right that were not used are void."""
        self._codes = [each for each in self._codes if each.right != right]
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._codes.append(OpenCode(code, right, now_s + VALID_S))
        return self._codes[-1]

    def join(self, typed: str, now_s: float, *, earlier: str | None = None) -> tuple[str, Right]:
        """The right behind a code, once: a secret token and the right. A device that held one ``earlier`` swaps it.

        Raises
        ------
        SessionError
            Wrong, used or expired code, or too many tries (10 a minute, from everybody together).
        """
        if len(self._tries_s) == MAX_TRIES and now_s - self._tries_s[0] < TRIES_WINDOW_S:
            raise SessionError("too many codes were tried", "wait a minute")
        self._tries_s.append(now_s)
        wanted = "".join(letter for letter in typed.upper() if letter in ALPHABET)
        found = [each for each in self.open_codes(now_s) if hmac.compare_digest(each.code, wanted)]
        if not found:
            raise SessionError("this code is wrong, used or older than 10 minutes", "ask the coach for a new one")
        self._codes.remove(found[0])
        self._devices.pop(earlier or "", None)
        self._n_joined += 1
        token = secrets.token_urlsafe(32)
        self._devices[token] = Device(self._n_joined, found[0].right)
        return token, found[0].right

    def open_codes(self, now_s: float) -> list[OpenCode]:
        """Codes that still work, the oldest first."""
        return [each for each in self._codes if now_s <= each.until_s]

    def devices(self) -> list[Device]:
        """Devices that joined and were not sent away, in that order."""
        return list(self._devices.values())

    def find_device(self, token: str | None) -> Device | None:
        """Who holds ``token``; None for strangers."""
        return self._devices.get(token) if token else None

    def revoke(self, number: int) -> None:
        """The right of one device ends now; SessionError if there is no such device."""
        token = next((token for token, device in self._devices.items() if device.number == number), None)
        if token is None:
            raise SessionError("this device is not joined any more", "nothing is left to do")
        del self._devices[token]

    def revoke_all(self) -> None:
        """Every code and every right ends now."""
        self._codes.clear()
        self._devices.clear()


def show_code(code: str) -> str:
    """As people read it: ABCD-EFGH."""
    return f"{code[:4]}-{code[4:]}"
