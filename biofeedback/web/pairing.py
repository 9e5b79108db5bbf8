"""Who may enter from another device: one-time codes, exchanged for a right that ends with the session. Pure."""

from __future__ import annotations

import hmac
import math
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
MAX_ADDRESSES = 64  # whose tries are counted apart
EVENING_S = 12 * 3600.0  # a right ends with the program, or after this
HERE = 0  # the number of whoever sits at this machine


@dataclass(frozen=True, slots=True)
class Right:
    """What a device may reach: an athlete's one seat (see, rate, stop), counted from 1; a coach's all of them."""

    role: Role
    seat: int | None = None


COACH = Right("coach")


@dataclass(frozen=True, slots=True)
class OpenCode:
    """A code that nobody has used yet. ``inviter`` is the number of the device that made it, 0 this machine."""

    code: str
    right: Right
    until_s: float
    inviter: int = HERE


@dataclass(frozen=True, slots=True)
class Device:
    """A device that joined; ``number`` counts them from 1 and is never used twice.

    Its right is good at its ``address`` only and until ``until_s``; ``inviter`` is who made its code, 0 this machine.
    """

    number: int
    right: Right
    address: str = ""
    inviter: int = HERE
    until_s: float = math.inf


class Pairing:
    """Codes that are open and rights that were given. Tokens are known by their hash alone, keyed with ``secret``."""

    def __init__(self, secret: bytes | None = None) -> None:
        self._secret = secret or secrets.token_bytes(32)
        self._codes: list[OpenCode] = []
        self._devices: dict[str, Device] = {}
        self._n_joined = 0
        self._tries_s: dict[str, deque[float]] = {}

    def invite(self, right: Right, now_s: float, *, inviter: int = HERE) -> OpenCode:
        """A new code for one device; codes for the same right that were not used are void."""
        self._codes = [each for each in self._codes if each.right != right]
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._codes.append(OpenCode(code, right, now_s + VALID_S, inviter))
        return self._codes[-1]

    def join(self, typed: str, now_s: float, *, address: str = "", earlier: str | None = None) -> tuple[str, Right]:
        """The right behind a code, once: a secret token and the right. A device that held one ``earlier`` swaps it.

        Raises
        ------
        SessionError
            Wrong, used or expired code, or too many tries (10 a minute from an address).
        """
        self._count_try(address, now_s)
        wanted = "".join(letter for letter in typed.upper() if letter in ALPHABET)
        found = [each for each in self.open_codes(now_s) if hmac.compare_digest(each.code, wanted)]
        if not found:
            raise SessionError("this code is wrong, used or older than 10 minutes", "ask the coach for a new one")
        self._codes.remove(found[0])
        self._devices.pop(self.seal(earlier or ""), None)
        token = secrets.token_urlsafe(32)
        right = found[0].right
        self.restore(self.seal(token), right, address, now_s + EVENING_S, inviter=found[0].inviter)
        return token, right

    def seal(self, token: str) -> str:
        """What a token is known by: nobody makes a token of it."""
        return hmac.digest(self._secret, f"token {token}".encode(), "sha256").hex()

    def restore(self, seal: str, right: Right, address: str, until_s: float, *, inviter: int = HERE) -> None:
        """The right of a device that is known by its seal."""
        self._devices[seal] = Device(self.count_device(), right, address, inviter, until_s)

    def count_device(self) -> int:
        """The next number of a device, never given again."""
        self._n_joined += 1
        return self._n_joined

    def sealed_devices(self) -> dict[str, Device]:
        """Devices that joined and were not sent away, by their seals."""
        return dict(self._devices)

    def _count_try(self, address: str, now_s: float) -> None:
        """A budget for each address, so that a stranger's guesses keep nobody else out; few addresses are kept."""
        recent = {key: tries for key, tries in self._tries_s.items() if now_s - tries[-1] < TRIES_WINDOW_S}
        key = address if address in recent or len(recent) < MAX_ADDRESSES else "all others"
        tries = recent.setdefault(key, deque(maxlen=MAX_TRIES))
        self._tries_s = recent
        if len(tries) == MAX_TRIES and now_s - tries[0] < TRIES_WINDOW_S:
            raise SessionError("too many codes were tried", "wait a minute")
        tries.append(now_s)

    def open_codes(self, now_s: float) -> list[OpenCode]:
        """Codes that still work, the oldest first."""
        return [each for each in self._codes if now_s <= each.until_s]

    def devices(self) -> list[Device]:
        """Devices that joined and were not sent away, in that order."""
        return list(self._devices.values())

    def addresses(self) -> set[str]:
        """Where the devices that joined are."""
        return {device.address for device in self._devices.values()}

    def find_device(self, token: str | None, address: str | None = None, now_s: float = 0.0) -> Device | None:
        """Who holds ``token``; None for strangers, for a token that wandered to another address, and after 12 h."""
        device = self._devices.get(self.seal(token)) if token else None
        if device is None or now_s > device.until_s or (address is not None and address != device.address):
            return None
        return device

    def is_joined(self, device: Device, now_s: float) -> bool:
        """Whether a device that was found still has its right: it was not sent away, and its 12 h are not over.

        Asked before every message to its page, so it goes without the token.
        """
        return now_s <= device.until_s and any(each is device for each in self._devices.values())

    def revoke(self, number: int) -> None:
        """The right of one device ends now, and with it what it gave to others; SessionError if it is not there."""
        if number not in {device.number for device in self._devices.values()}:
            raise SessionError("this device is not joined any more", "there is nothing more to do")
        gone = self._with_children(number)
        self._devices = {token: device for token, device in self._devices.items() if device.number not in gone}
        self._codes = [each for each in self._codes if each.inviter not in gone]

    def is_child(self, number: int, of: int) -> bool:
        """Whether a device came in by an invitation of ``of``, or of somebody whom that one invited."""
        return number in self._with_children(of) - {of}

    def _with_children(self, number: int) -> set[int]:
        family = {number}
        for device in self._devices.values():  # in the order of joining: nobody is invited by a later one
            if device.inviter in family:
                family.add(device.number)
        return family

    def revoke_all(self) -> None:
        """Every code and every right ends now."""
        self._codes.clear()
        self._devices.clear()


def show_code(code: str) -> str:
    """As people read it: ABCD-EFGH."""
    return f"{code[:4]}-{code[4:]}"
