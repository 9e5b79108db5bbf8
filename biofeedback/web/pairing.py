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
class Invitation:
    """What to tell the other device: open ``url`` and, where it is asked for, type ``code``."""

    role: Role
    code: str
    url: str
    expires_s: float


class Pairing:
    """Codes that are open and rights that were given. Nothing is written down; all of it ends with the object."""

    def __init__(self) -> None:
        self._codes: dict[str, tuple[Role, float]] = {}
        self._rights: dict[str, Role] = {}
        self._tries_s: deque[float] = deque(maxlen=MAX_TRIES)

    def invite(self, role: Role, now_s: float) -> str:
        """A new code for one device; codes for the same role that were not used are void."""
        self._codes = {code: (other, until) for code, (other, until) in self._codes.items() if other != role}
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        self._codes[code] = (role, now_s + VALID_S)
        return code

    def join(self, typed: str, now_s: float) -> tuple[str, Role]:
        """The right behind a code, once: a secret token and its role.

        Raises
        ------
        SessionError
            Wrong, used or expired code, or too many tries (10 a minute, from everybody together).
        """
        if len(self._tries_s) == MAX_TRIES and now_s - self._tries_s[0] < TRIES_WINDOW_S:
            raise SessionError("too many codes were tried", "wait a minute")
        self._tries_s.append(now_s)
        wanted = "".join(letter for letter in typed.upper() if letter in ALPHABET)
        found = [code for code in self._codes if hmac.compare_digest(code, wanted)]
        if not found or now_s > self._codes[found[0]][1]:
            raise SessionError("this code is wrong, used or older than 10 minutes", "ask the coach for a new one")
        role, _ = self._codes.pop(found[0])
        token = secrets.token_urlsafe(32)
        self._rights[token] = role
        return token, role

    def role_of(self, token: str | None) -> Role | None:
        """What the holder of ``token`` may be; None for strangers."""
        return self._rights.get(token) if token else None

    def revoke_all(self) -> None:
        """Every code and every right ends now."""
        self._codes.clear()
        self._rights.clear()


def show_code(code: str) -> str:
    """As people read it: ABCD-EFGH."""
    return f"{code[:4]}-{code[4:]}"
