"""A session on the local network: invitations, the exchange of a code, and rights that can be taken back."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import time
from collections import Counter
from collections.abc import Callable, Coroutine, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache, partial
from typing import Any, Protocol
from urllib.parse import urlsplit

from starlette.responses import JSONResponse, Response

from biofeedback.errors import SessionError
from biofeedback.web.access import find_device, find_place, is_here, is_loopback, name_cookie
from biofeedback.web.asking import ANSWER_S, Ask, Asks
from biofeedback.web.certificate import PageCertificate
from biofeedback.web.pairing import HERE, OpenCode, Pairing, Right, Role, show_code
from biofeedback.web.qr import encode_qr

COOKIE_S = 12 * 3600  # the right itself ends with the session

Tell = Callable[[Mapping[str, Any]], None]


@dataclass(frozen=True, slots=True)
class Invitation:
    """What to tell the other device: open ``url`` and, where it is asked for, type ``code``.

    ``seat`` and ``athlete`` (a code, A01) say whose device is meant; a coach's has neither.
    """

    role: Role
    seat: int | None
    athlete: str
    code: str
    url: str
    expires_s: float


@dataclass(frozen=True, slots=True)
class KeptPhone:
    """An athlete's phone that stays paired over a restart: hashes of its token and of the athlete's code.

    ``left_s``: until its right ends.
    """

    seal: str
    whose: str
    address: str
    left_s: float


class Keeper(Protocol):
    """Where the phones of an evening are written down, and what keys their hashes."""

    secret: bytes

    def name(self, athlete: str) -> str:
        """The hash that stands for an athlete's code."""
        ...

    def find_code(self, whose: str) -> str:
        """The code behind such a hash; empty where no athlete of the folder has it."""
        ...

    def load(self) -> list[KeptPhone]:
        """Those that are still good."""
        ...

    def save(self, phones: Sequence[KeptPhone]) -> None:
        """In place of those before."""
        ...


class Sharing:
    """One shared session, reachable at ``address``; ``athletes`` are the codes of its seats.

    With a ``certificate`` it is encrypted. ``is_busy``: an effort is under way, and nothing is asked at this machine.
    """

    def __init__(
        self,
        address: str,
        athletes: Sequence[str] = ("",),
        clock: Callable[[], float] = time.monotonic,
        *,
        certificate: PageCertificate | None = None,
        is_busy: Callable[[], bool] = lambda: False,
        keeper: Keeper | None = None,
    ) -> None:
        self.pairing = Pairing(keeper.secret if keeper else None)
        self._keeper = keeper
        self._asks = Asks()
        self._is_busy = is_busy
        self._address = address
        self._certificate = certificate
        self._cookie = name_cookie(urlsplit(address).port or 80)
        self._athletes = athletes
        self._clock = clock
        self._coaches: list[Tell] = []
        self._n_open: Counter[int] = Counter()  # coach's pages at this machine, pages of a device, by its number
        self._absent: dict[int, KeptPhone] = {}  # by number: of athletes who have no seat here
        for one in keeper.load() if keeper else ():
            if (seat := self._find_seat(one)) is not None:
                self.pairing.restore(one.seal, Right("athlete", seat), one.address, clock() + one.left_s)
        self._note_absent()

    def invite(self, right: Right, *, by: int = HERE) -> Invitation:
        """A new one-time code; the address carries it behind ``#``, which browsers never send to anybody.

        ``by`` is the number of the device that asked for it.
        """
        invitation = self._invitation(self.pairing.invite(right, self._clock(), inviter=by))
        self._tell_coaches()
        return invitation

    def request_invitation(self, right: Right, *, by: int) -> None:
        """Invite; another coach for a device only after a yes at this machine. SessionError where nobody can say it."""
        if right.role == "coach" and by != HERE:
            self.ask(by, "to invite another coach", lambda: self.invite(right, by=by))
        else:
            self.invite(right, by=by)

    def invite_athletes(self) -> list[Invitation]:
        """A code for each seat."""
        return [self.invite(Right("athlete", seat)) for seat in range(1, len(self._athletes) + 1)]

    def request_revocation(self, number: int | None = None, *, by: int) -> None:
        """Send one device away with all that it invited, or all of them with every code that is open.

        A coach's device sends athletes away, and whom it invited; others only after a yes at this machine, which
        sends everybody away. SessionError if the device is not there, or where nobody can say yes.
        """
        if by != HERE and not self._may_revoke(by, number):
            what = "to send all devices away" if number is None else f"to send device {number}, a coach’s, away"
            self.ask(by, what, lambda: self.revoke(number))
        else:
            self.revoke(number)

    def revoke(self, number: int | None = None) -> None:
        """Send one device away, or all. SessionError if it is not there."""
        before = {device.number for device in self.pairing.devices()}
        absent = self._absent.get(number) if number is not None else None
        if number is None:
            self.pairing.revoke_all()
        elif absent is None:
            self.pairing.revoke(number)
        self._keep(gone=absent.seal if absent else "", all_gone=number is None)
        self._asks.drop_of(before - {device.number for device in self.pairing.devices()})
        self._tell_coaches()

    # ---- what is asked at this machine ----

    def ask(
        self, device: int, what: str, on_yes: Callable[[], object], on_no: Callable[[], object] = lambda: None
    ) -> Ask:
        """Have the page at this machine ask whether ``device`` may do ``what`` ("to delete ...").

        SessionError where nobody can say yes now.
        """
        if not self._n_open[HERE]:
            raise SessionError(
                "this needs a yes at the computer that records, and no coach’s page is open there",
                "open it there, then ask again",
            )
        if self._is_busy():
            raise SessionError("an effort is under way at the computer that records", "ask again when it is over")
        ask = self._asks.ask(device, what, on_yes, on_no, self._clock())
        self._tell_coaches()
        return ask

    def settle(self, number: int, is_yes: bool, *, by: int) -> None:
        """The answer to what was asked, said at this machine and nowhere else."""
        if by != HERE:
            raise SessionError("the coach’s page at the computer that records says yes or no", "say it there")
        try:
            self._asks.settle(number, is_yes, self._clock())
        finally:
            self._tell_coaches()

    async def wait_for_yes(self, device: int, what: str, gone: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Ask, and wait for the yes; ``gone`` ends when the device does not wait any more. SessionError without one."""
        answered: asyncio.Future[bool] = asyncio.get_running_loop().create_future()
        ask = self.ask(device, what, partial(answered.set_result, True), partial(answered.set_result, False))
        leaving = asyncio.create_task(gone())
        try:
            waiting: set[asyncio.Future[Any]] = {answered, leaving}
            await asyncio.wait(waiting, timeout=ANSWER_S, return_when=asyncio.FIRST_COMPLETED)
            if not answered.done():
                raise SessionError("nobody said yes at the computer that records", "ask again when somebody is there")
            if not answered.result():
                raise SessionError("this was not allowed at the computer that records", "ask the coach there")
        finally:
            leaving.cancel()
            answered.cancel()
            self._asks.withdraw(ask)
            self._tell_coaches()

    def _may_revoke(self, by: int, number: int | None) -> bool:
        rights = {device.number: device.right for device in self.pairing.devices()}
        if number is None:
            return False
        return number not in rights or rights[number].role == "athlete" or self.pairing.is_child(number, by)

    def reply_to_code(self, typed: str, *, address: str = "", earlier: str | None = None) -> Response:
        """The reply to a device that typed a code at an address."""
        headers = {"cache-control": "no-store", "x-content-type-options": "nosniff"}
        try:
            token, right = self.pairing.join(typed, self._clock(), address=address, earlier=earlier)
        except SessionError as error:
            return JSONResponse({"what": error.what, "cure": error.cure}, status_code=403, headers=headers)
        self._keep(gone=self.pairing.seal(earlier) if earlier else "")
        response = JSONResponse({"place": find_place(right, len(self._athletes))}, headers=headers)
        is_secure = self._certificate is not None
        response.set_cookie(self._cookie, token, max_age=COOKIE_S, httponly=True, samesite="strict", secure=is_secure)
        self._tell_coaches()
        return response

    def _keep(self, *, gone: str = "", all_gone: bool = False) -> None:
        """Write down the phones of athletes: those here, and of athletes who do not sit here those still good.

        A coach's right is never written down.
        """
        if self._keeper is None:
            return
        whose = [self._keeper.name(athlete) for athlete in self._athletes]
        absent = [] if all_gone else [one for one in self._keeper.load() if one.whose not in whose and one.seal != gone]
        here = [
            KeptPhone(seal, whose[device.right.seat - 1], device.address, device.until_s - self._clock())
            for seal, device in self.pairing.sealed_devices().items()
            if device.right.seat  # a coach has none
        ]
        self._keeper.save([*absent, *here])
        self._note_absent()

    def _note_absent(self) -> None:
        """The phones of athletes who have no seat here, each with the number that it was first told by."""
        numbers = {one.seal: number for number, one in self._absent.items()}
        found = [one for one in (self._keeper.load() if self._keeper else ()) if self._find_seat(one) is None]
        self._absent = {numbers.get(one.seal) or self.pairing.count_device(): one for one in found}
        self._absent_since_s = self._clock()

    def _describe_absent(self) -> list[dict[str, Any]]:
        """Whose they are, where the folder knows it, and for how many seconds their rights are good still."""
        passed_s = self._clock() - self._absent_since_s
        return [
            {"number": number, "athlete": self._keeper.find_code(one.whose), "left_s": one.left_s - passed_s}
            for number, one in self._absent.items()
            if self._keeper and one.left_s > passed_s
        ]

    def _find_seat(self, one: KeptPhone) -> int | None:
        names = [self._keeper.name(athlete) for athlete in self._athletes] if self._keeper else []
        return names.index(one.whose) + 1 if one.whose in names else None

    def describe(self) -> dict[str, Any]:
        """For coaches: the codes that are open, as text and as rows of a QR code, and the devices that joined."""
        invitations = [self._invitation(each) for each in self.pairing.open_codes(self._clock())]
        devices = [
            {
                **self._whose(device.right),
                "number": device.number,
                "here": self._n_open[device.number] > 0,
                "inviter": device.inviter,
            }
            for device in self.pairing.devices()
        ]
        return {
            "invitations": [asdict(each) | {"qr": draw_rows(each.url)} for each in invitations],
            "devices": devices,
            "absent": self._describe_absent(),
            "asks": self._asks.describe(self._clock()),
            "encrypted": self._certificate is not None,
            "fingerprint": self._certificate.first_groups if self._certificate and not self._certificate.is_own else "",
        }

    @contextlib.contextmanager
    def attend(self, scope: Mapping[str, Any], right: Right, tell: Tell) -> Iterator[Callable[[], bool]]:
        """While a page is open: a question to ask before every message, whether its device is still welcome.

        Coaches are told at once, and whenever it changes, who was invited and who joined.
        """
        here = is_here(scope)
        device = None if here else find_device(self.pairing, scope, self._clock())
        number = device.number if device else HERE
        if device or right.role == "coach":
            self._n_open[number] += 1
            self._tell_coaches()
        if right.role == "coach":
            self._coaches.append(tell)
            tell(self.describe())
        try:
            yield lambda: here or (device is not None and self.pairing.is_joined(device, self._clock()))
        finally:
            if right.role == "coach":
                self._coaches.remove(tell)
            if device or right.role == "coach":
                self._n_open[number] -= 1
                self._tell_coaches()

    def _tell_coaches(self) -> None:
        if self._coaches:
            told = self.describe()
            for tell in self._coaches:
                tell(told)

    def _whose(self, right: Right) -> dict[str, Any]:
        athlete = self._athletes[right.seat - 1] if right.seat else ""
        return {"role": right.role, "seat": right.seat, "athlete": athlete}

    def _invitation(self, one: OpenCode) -> Invitation:
        code = show_code(one.code)
        url = f"{self._address}/pair#{code}"
        return Invitation(**self._whose(one.right), code=code, url=url, expires_s=one.until_s - self._clock())


@lru_cache(maxsize=16)
def draw_rows(text: str) -> list[str]:
    """A QR code as rows of 0 and 1; drawing takes 7 ms, so the codes in use are kept."""
    return ["".join("01"[module] for module in line) for line in encode_qr(text)]


def find_network_address() -> str:
    """This machine's address on its network; nothing is sent to find it.

    Raises
    ------
    SessionError
        If there is none.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737): only the route is looked up
            address = str(probe.getsockname()[0])
        except OSError:
            address = "127.0.0.1"
    if is_loopback(address):
        raise SessionError("this computer is on no network to share on", "connect it, or leave out --share")
    return address
