"""Athletes' phones stay paired over a restart of the program, for the evening: two files beside the recordings.

One holds a secret, the other what phones are known by: hashes keyed with it, of their tokens and of the athletes'
codes, the address that the right is good at, and when it ends. Whoever reads both files cannot make a token of them,
and a row that somebody changes does not prove itself. Both are readable to this account alone; a secret that others
could read is thrown away, and with it every right.
"""

from __future__ import annotations

import contextlib
import hmac
import json
import os
import secrets
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

from biofeedback.errors import BiofeedbackError
from biofeedback.web.pairing import EVENING_S
from biofeedback.web.sharing import KeptPhone
from biofeedback.wiring.user_files import save_text

SECRET_FILE, PHONES_FILE = ".phones-secret", ".phones"
N_SECRET = 32
MOST_BYTES = 65536
SLACK_S = 60.0  # a clock that was put right a little


class PhoneKeeper:
    """The phones of a folder's evenings, see ``web.sharing.Keeper``. What cannot be written ends with the program."""

    def __init__(
        self, folder: Path, secret: bytes, clock: Callable[[], float] = time.time, athletes: Iterable[str] = ()
    ) -> None:
        self.secret = secret
        self._path = folder / PHONES_FILE
        self._clock = clock
        self._codes = {self.name(code): code for code in athletes}

    def name(self, athlete: str) -> str:
        """The hash that stands for an athlete's code, however it is written."""
        return self._hash(f"athlete {athlete.casefold()}")

    def find_code(self, whose: str) -> str:
        """The code behind such a hash; empty where it is of none of the athletes."""
        return self._codes.get(whose, "")

    def drop(self, athlete: str) -> int:
        """Forget the phones of an athlete; how many they were."""
        kept = self.load()
        others = [one for one in kept if one.whose != self.name(athlete)]
        if len(others) < len(kept):
            self.save(others)
        return len(kept) - len(others)

    def load(self) -> list[KeptPhone]:
        """Those whose row proves itself and whose evening is not over; none of a clock that was set back."""
        now_s = self._clock()
        found = []
        for row in _read_rows(self._path):
            with contextlib.suppress(KeyError, TypeError, ValueError, AttributeError):
                seal, whose, address, until_s = row["seal"], row["whose"], row["address"], float(row["until_s"])
                left_s = until_s - now_s
                is_proved = hmac.compare_digest(str(row["proof"]), self._prove(seal, whose, address, until_s))
                if is_proved and 0 < left_s <= EVENING_S + SLACK_S:
                    found.append(KeptPhone(seal, whose, address, min(left_s, EVENING_S)))
        return found

    def save(self, phones: Sequence[KeptPhone]) -> None:
        """In place of those before."""
        now_s = self._clock()
        rows = []
        for one in phones:
            until_s = round(now_s + one.left_s, 3)
            proof = self._prove(one.seal, one.whose, one.address, until_s)
            rows.append(
                {"seal": one.seal, "whose": one.whose, "address": one.address, "until_s": until_s, "proof": proof}
            )
        with contextlib.suppress(BiofeedbackError, OSError):
            save_text(self._path, json.dumps(rows))

    def _prove(self, *parts: object) -> str:
        return self._hash(f"row {json.dumps([str(part) for part in parts])}")

    def _hash(self, text: str) -> str:
        return hmac.digest(self.secret, text.encode(), "sha256").hex()


def forget_phones(folder: Path, athlete: str) -> int:
    """End what is kept of an athlete's phones in a folder and below it; how many they were."""
    n_dropped = 0
    for path in sorted(folder.rglob(PHONES_FILE)):
        with contextlib.suppress(OSError):
            if secret := _read_secret(path.parent / SECRET_FILE):
                n_dropped += PhoneKeeper(path.parent, secret).drop(athlete)
    return n_dropped


def find_keeper(
    folder: Path, clock: Callable[[], float] = time.time, *, athletes: Iterable[str] = ()
) -> PhoneKeeper | None:
    """The keeper of a folder, with the secret that is there or a new one; None where it cannot be kept to oneself.

    ``athletes``: the codes that it can tell by their hashes.
    """
    path = folder / SECRET_FILE
    try:
        secret = _read_secret(path)
        if secret is None:
            secret = secrets.token_bytes(N_SECRET)
            save_text(path, secret.hex())
            if _read_secret(path) != secret:  # a drive that knows no permissions, or cannot be written
                path.unlink(missing_ok=True)
                return None
    except (OSError, BiofeedbackError):
        return None
    return PhoneKeeper(folder, secret, clock, athletes)


def _read_secret(path: Path) -> bytes | None:
    """None where there is none, or one that another account could have read or written."""
    with contextlib.suppress(OSError, ValueError):
        status = path.lstat()
        is_ours = os.name == "nt" or (status.st_uid == os.getuid() and not status.st_mode & 0o077)
        if path.is_file() and not path.is_symlink() and is_ours and status.st_size == 2 * N_SECRET:
            return bytes.fromhex(path.read_text("ascii"))
    return None


def _read_rows(path: Path) -> list[Any]:
    with contextlib.suppress(OSError, ValueError, RecursionError):
        if path.stat().st_size <= MOST_BYTES:
            rows = json.loads(path.read_text("utf-8"))
            return rows if isinstance(rows, list) else []
    return []
