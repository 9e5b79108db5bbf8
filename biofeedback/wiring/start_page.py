"""The start page of ``live`` without ``--source``: finds sensors, checks one, begins the session that was chosen."""

from __future__ import annotations

import argparse
import asyncio
import base64
import contextlib
import json
import tempfile
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from biofeedback.acquisition.health import Finding, Watched
from biofeedback.acquisition.moved import judge_moved, watch_all
from biofeedback.acquisition.ports import describe_ports, find_ports
from biofeedback.acquisition.profiles import list_profiles, load_profile
from biofeedback.acquisition.source import OpenRecording, Source
from biofeedback.acquisition.sources import open_source
from biofeedback.acquisition.udp_source import find_own_address
from biofeedback.cautions import CAUTIONS
from biofeedback.errors import BiofeedbackError, PlanError, SessionError, SourceError
from biofeedback.model import FloatArray
from biofeedback.session.exercises import ASKED, Exercise
from biofeedback.session.plan import Plan
from biofeedback.session.rig_picture import draw_rig
from biofeedback.storage.library import filter_recordings, list_recordings
from biofeedback.storage.schema import LAST_START, recordings_folder
from biofeedback.wiring.assembly import USUAL_LIMIT, find_exercise, now_utc
from biofeedback.wiring.athletes import choose_way, find_programmes_evening, find_tonight, list_athletes
from biofeedback.wiring.bands import seek_bands
from biofeedback.wiring.browser import add_key, show_page
from biofeedback.wiring.encryption import choose_certifier
from biofeedback.wiring.folder_watch import FolderWatch
from biofeedback.wiring.form_fields import FormError
from biofeedback.wiring.hearing import hear_board, keep_profile
from biofeedback.wiring.lent import Setup as AthleteSetup
from biofeedback.wiring.lent import find_lent
from biofeedback.wiring.live_sessions import (
    Lives,
    SessionRequest,
    ending_signals,
    make_shelf,
    open_sessions,
    serve_sessions,
    tell_recordings,
)
from biofeedback.wiring.plans import FOLDER as PLANS_FOLDER
from biofeedback.wiring.plans import PlanShelf
from biofeedback.wiring.programmes import save_programme, to_text
from biofeedback.wiring.review_page import make_review
from biofeedback.wiring.sensor_check import draw_picture, import_drawing, judge_watched, watch_sensor
from biofeedback.wiring.start_form import SENSOR_FIELDS, ChosenSession, keep_fields, read_form, write_source
from biofeedback.wiring.start_group import at_seat, read_group, read_seat
from biofeedback.wiring.start_trial import describe_trial_of, draw_from_form
from biofeedback.wiring.unsaid import keep_answers, read_answers
from biofeedback.wiring.user_files import EXERCISES_FILE, find_exercises, save_text

if TYPE_CHECKING:
    from biofeedback.web.own_browser import OwnBrowsers

CHECK_S = 10.0
MOST_APART = 8
NO_ANSWER = "does not answer as a board of profile frame-lines"
OTHER_BOARD = "no board of ours answers: say below how it sends"
RequestSession = Callable[[str, str, argparse.Namespace], SessionRequest]  # of source, athlete and arguments
FRESH = dict.fromkeys(("sensor", "athlete", "exercise", "side", "position"), "") | {
    "before": [],
    "limit": f"{USUAL_LIMIT:g}",
}


class LocalStartPage:
    """What the start page asks for, see ``web.start.StartPage``.

    ``open_session`` opens the chosen sessions, one argument each, and raises what is in the way.
    """

    def __init__(
        self,
        args: argparse.Namespace,
        *,
        open_session: Callable[..., None],
        open_recording: OpenRecording,
        check_s: float = CHECK_S,
        watch: FolderWatch | None = None,
    ) -> None:
        self.place = ""  # where the session is led, once it has begun
        self.leaving = threading.Event()
        self._args = args
        self._folder: Path = args.folder or recordings_folder()
        self._watch = watch or FolderWatch(self._folder)
        self._open_session = open_session
        self._open_recording = open_recording
        self._check_s = check_s
        self._sensors = threading.Lock()  # one use of a port at a time
        self._seeking: threading.Thread | None = None

    def describe(self) -> dict[str, Any]:
        """Profiles, exercises, and the form: the sensor of last time, whoever it measured, and nobody's stretch."""
        last, given = read_last(self._folder) or {}, _given(self._args)
        sensor = {name: value for name, value in last.items() if name in SENSOR_FIELDS}
        return {
            "profiles": list(_describe_profiles()),
            "exercises": [_describe_exercise(exercise) for exercise in self._library().values()],
            "asks": dict(ASKED),
            "cautions": list(CAUTIONS),
            "check_s": self._check_s,
            "address": find_own_address(),
            "form": {**FRESH, **sensor, **given},
        }

    def list_athletes(self) -> list[dict[str, Any]]:
        """A card for each athlete of the folder."""
        self._watch.check()
        last = read_last(self._folder) or {}
        sensor = {name: value for name, value in last.items() if name in SENSOR_FIELDS}
        source = ""
        with contextlib.suppress(BiofeedbackError):
            source = write_source(last, self._open_recording)
        cards = list_athletes(
            self._folder,
            self._library(),
            now_utc=now_utc(),
            sensor=sensor or None,
            sensor_source=source,
            plans=self._plans(),
        )
        if self._seeking is None and any(card["seeking"] for card in cards):  # seconds of work: the page asks again
            self._seeking = threading.Thread(target=seek_bands, args=(self._folder, self.leaving.is_set), daemon=True)
            self._seeking.start()
        is_at_it = self._seeking is not None and self._seeking.is_alive()
        return [{**card, "seeking": card["seeking"] and is_at_it} for card in cards]

    def open_programme(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """The text of an athlete's programme, or one to begin with."""
        return to_text(self._folder, str(order.get("athlete")), plan=next(iter(self._plans())), today=now_utc()[:10])

    def save_programme(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """Check it and keep it; a mistake is told by its line."""
        self._watch.check()
        text = order.get("text")
        athlete = str(order.get("athlete"))
        saved = save_programme(self._folder, athlete, text if isinstance(text, str) else "", self._plans())
        return {"n_evenings": len(saved.plans)}

    def open_trial(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """An athlete's trial and what its evenings say, or what can be drawn."""
        return describe_trial_of(self._folder, str(order.get("athlete")))

    def draw_trial(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """Draw a trial by lot and store it before its first evening."""
        self._watch.check()
        return draw_from_form(self._folder, order, utc=now_utc())

    def _plans(self) -> dict[str, Plan]:
        return PlanShelf(self._folder / PLANS_FOLDER, self._args.plan).plans

    def find_ports(self) -> list[dict[str, str]]:
        """Path and name of each port."""
        return [{"port": path, "name": name} for path, name in find_ports()]

    def ask_port(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """Whether a board of ours is at a port of the list."""
        from biofeedback.acquisition.scan import ask_port

        path = order.get("port")
        if path not in [known for known, _ in find_ports()]:
            raise SourceError(f"there is no port {str(path)[:80]}", f"{describe_ports()}; look again")
        with self._sensors:
            board, reason = ask_port(str(path))
        if board is None:
            is_other = reason.endswith(NO_ANSWER)
            return {"board": None, "reason": OTHER_BOARD if is_other else reason.removeprefix(f"{path} ")}
        text = f"board {board.board_id}, firmware {board.firmware}, {board.rate_hz:g} readings/s"
        return {"board": text, "profile": "frame-lines", "reason": ""}

    def scan_radios(self) -> list[dict[str, Any]]:
        """Bluetooth devices that a profile knows, strongest first."""
        from biofeedback.acquisition.scan import name_radios, scan_radios

        with self._sensors:
            seen = scan_radios()
        return [
            {"radio": radio, "title": title, "dbm": one.rssi_dbm, "profiles": list(one.profiles)}
            for one, (radio, title) in zip(seen, name_radios(seen), strict=True)
        ]

    def write(self, form: Mapping[str, Any]) -> dict[str, Any]:
        """The source to write on the command line; the whole command once the form has no mistake."""
        source = write_source(form, self._open_recording)
        with contextlib.suppress(FormError):
            return {"source": source, "command": self._read(form).to_command()}
        return {"source": source, "command": ""}

    def hear(self, form: Mapping[str, Any]) -> dict[str, Any]:
        """Listen to a board for a few seconds; what was understood of its lines, and the lines themselves."""
        with self._sensors:
            return hear_board(form, self._open_recording)

    def keep(self, form: Mapping[str, Any]) -> dict[str, Any]:
        """Keep what was understood of a board's lines as a profile; it is offered from now on."""
        kept = keep_profile(form, self._open_recording)
        return {**kept, "profiles": list(_describe_profiles())}

    def tell_apart(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """Watch several sensors at once; ``which`` of the forms is pulled or shaken, None where none stands out."""
        forms = order.get("forms")
        chosen = [form for form in forms if isinstance(form, dict)][:MOST_APART] if isinstance(forms, list) else []
        if len(chosen) < 2:
            raise SourceError("there is only one to choose", "look for sensors again")
        open_recording = self._open_recording
        sources = [open_source(write_source(form, open_recording), open_recording=open_recording) for form in chosen]

        def watch(source: Source) -> FloatArray:
            return watch_sensor(source, self._check_s, is_over=self.leaving.is_set).counts()

        with self._sensors:
            runs, failed = watch_all(sources, watch)
        return {"which": judge_moved(runs, [source.rate_hz for source in sources]), "failed": failed}

    def check(self, form: Mapping[str, Any]) -> dict[str, Any]:
        """Watch the sensor for ``check_s`` and judge it, in words and a picture."""
        if form.get("sensor") == "felt":
            raise SourceError("there is no sensor to check", "start the session: effort is what the athlete says")
        source = open_source(write_source(form, self._open_recording), open_recording=self._open_recording)
        threading.Thread(target=import_drawing, daemon=True).start()
        with self._sensors, contextlib.closing(source):
            source.open()
            watched = watch_sensor(source, self._check_s, is_over=self.leaving.is_set)
        findings = judge_watched(watched)
        return {
            "title": source.description,
            "simulated": source.is_simulated,
            "findings": [asdict(finding) for finding in findings],
            "picture": "" if self.leaving.is_set() else _draw(watched, findings, source.description),
        }

    def begin(self, form: Mapping[str, Any]) -> dict[str, Any]:
        """Open the sensor and the recording, once; what was chosen is kept for next time."""
        choice = self._read(form)
        self._begin([choice], choice.place, form, read_answers(form, self._library()))
        return {"place": self.place}

    def seat(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """Whether an athlete can sit in the group as the form says it."""
        return read_seat(order, self._read, self._library())

    def begin_group(self, order: Mapping[str, Any]) -> dict[str, Any]:
        """Open the sensors and recordings of up to four athletes, all or none."""
        choices = read_group(order, self._read)
        self._begin(choices, "/group" if len(choices) > 1 else "/coach", order["forms"][0])
        return {"place": self.place}

    def _begin(
        self,
        choices: Sequence[ChosenSession],
        place: str,
        form: Mapping[str, Any],
        answers: Mapping[str, str] | None = None,
    ) -> None:
        self._watch.check()
        with self._sensors:
            if self.place:
                raise SessionError("a session has begun already", "reload the page")
            own = self._args.own_exercises or self._folder / EXERCISES_FILE
            keep_answers(own, choices[0].exercise, answers or {}, self._library())
            self._open_session(*choices)
            self.place = place
        with contextlib.suppress(BiofeedbackError):  # next time is not worth this evening's session
            save_text(self._folder / LAST_START, json.dumps(keep_fields(form), indent=1, ensure_ascii=True))

    def _read(self, form: Mapping[str, Any]) -> ChosenSession:
        choice = read_form(form, self._library(), self._open_recording)
        if form.get("carry") is True:
            choice = replace(choice, carry=self._find_carry(choice))
        choice = replace(choice, first_plan=self._find_first_plan(choice))
        tonight = find_tonight(self._folder, choice.athlete, is_simulated=choice.source.startswith("simulated:"))
        return choose_way(choice, form.get("way"), tonight)

    def _find_first_plan(self, choice: ChosenSession) -> str:
        """The plan of the programme's evening, to stand first; empty without one, or when it is slowed down."""
        with contextlib.suppress(BiofeedbackError):
            entries = filter_recordings(list_recordings(self._folder), athlete=choice.athlete)
            own = [entry for entry in entries if not entry.problem]
            tonight = find_programmes_evening(self._folder, own, self._plans(), now_utc=now_utc())
            return tonight.plan if tonight else ""
        return ""

    def _find_carry(self, choice: ChosenSession) -> tuple[str, ...]:
        """The recording whose maximum is taken over, as its card on the page says; none where there is none."""
        exercise = find_exercise(choice.exercise, self._library())
        position = choice.position or (exercise.position if exercise else "")
        setup = AthleteSetup(exercise.title if exercise else choice.exercise, choice.side, position)
        with contextlib.suppress(BiofeedbackError):
            is_simulated = choice.source.startswith("simulated:")
            own = [
                entry
                for entry in filter_recordings(list_recordings(self._folder), athlete=choice.athlete)
                if not entry.problem and bool(entry.simulated) == is_simulated
            ]
            if lent := find_lent(own, setup, now_utc=now_utc()):
                return (str(self._folder / lent.name),)
        return ()

    def _library(self) -> Any:
        return find_exercises(self._folder, self._args.own_exercises)


def run_from_start(args: argparse.Namespace, request: RequestSession, open_recording: OpenRecording) -> int:
    """Choose on the page, run what was chosen, and again while the coach wants; Ctrl-C ends it."""
    from biofeedback.web.own_browser import OwnBrowsers

    if args.share:
        from biofeedback.web.sharing import find_network_address

        find_network_address()  # refuses now rather than when all is chosen, and so does this
        choose_certifier(argparse.Namespace(**vars(args) | {"share_plain": False}))
    own = OwnBrowsers()  # the same for all servers of this program: a page that is open goes on
    tell = partial(_tell_page, args, own)
    whose = args.athlete[0] if args.athlete else ""  # the athlete that a typed --maximum is of: the first one
    watch = FolderWatch(args.folder or recordings_folder())
    while True:
        with contextlib.ExitStack() as stack:
            lives: Lives = {}

            def open_session(
                *choices: ChosenSession, stack: contextlib.ExitStack = stack, lives: Lives = lives
            ) -> None:
                nonlocal whose
                whose = whose or choices[0].athlete
                lives |= open_chosen(stack, choices, request, args, whose=whose)

            start_page = LocalStartPage(args, open_session=open_session, open_recording=open_recording, watch=watch)
            if not asyncio.run(serve_start_page(start_page, args, own, tell=tell)):
                return 0
            again = asyncio.run(serve_sessions(lives, args, from_start=own, place=start_page.place))
        tell_recordings(lives)
        if not again:
            print("Again:    biofeedback live (the page remembers what was chosen)")
            return 0
        tell = partial(_tell_page, args, own, again=True)


def open_chosen(
    stack: contextlib.ExitStack,
    choices: Sequence[ChosenSession],
    request: RequestSession,
    args: argparse.Namespace,
    *,
    whose: str,
) -> Lives:
    """All sessions or none; what is in the way of one of a group stands at its seat."""
    shelf = make_shelf(args)
    lives: Lives = {}
    with contextlib.ExitStack() as trying:
        for number, choice in enumerate(choices, 1):
            chosen = argparse.Namespace(**{**vars(args), **choice.to_options()})
            chosen.maximum = args.maximum if choice.athlete == whose else []
            asked = request(choice.source, choice.athlete, chosen)
            try:
                lives |= open_sessions(trying, [asked], chosen, shelf=shelf)
            except BiofeedbackError as error:
                if len(choices) == 1:
                    raise
                raise at_seat(number, error) from error
        stack.enter_context(trying.pop_all())
    return lives


def _tell_page(args: argparse.Namespace, own: OwnBrowsers, address: str, *, again: bool = False) -> None:
    """Later servers take the same address, so that the page finds them."""
    args.port = int(address.rstrip("/").rpartition(":")[2])
    page = add_key(own, f"{address}start")
    print(f"Page: {page}   (choose there; Ctrl-C ends the program)", flush=True)
    if not args.no_browser and not again:
        show_page(page)


async def serve_start_page(
    start_page: LocalStartPage, args: argparse.Namespace, own: OwnBrowsers | None = None, *, tell: Callable[[str], None]
) -> bool:
    """Serve the start page until a session has begun (True) or the program is to end. Loopback only, never shared."""
    from biofeedback.web.server import open_page

    over = asyncio.Event()

    def leave() -> None:
        start_page.leaving.set()
        over.set()

    for number in ending_signals():
        with contextlib.suppress(NotImplementedError):  # Windows: Ctrl-C arrives as KeyboardInterrupt
            asyncio.get_running_loop().add_signal_handler(number, leave)
    review = make_review(args.folder or recordings_folder(), beside_live=True)
    async with open_page(None, port=args.port, review=review, start=(start_page, over.set), own=own) as address:
        tell(address)
        await over.wait()
    return bool(start_page.place) and not start_page.leaving.is_set()


def read_last(folder: Path) -> dict[str, Any] | None:
    """What was chosen last time; None where nothing is kept, or nothing that can be read."""
    try:
        kept = json.loads((folder / LAST_START).read_text("utf-8"))
    except (OSError, ValueError, RecursionError):
        return None
    return keep_fields(kept) if isinstance(kept, dict) else None


def _given(args: argparse.Namespace) -> dict[str, Any]:
    """What the command line says already."""
    given: dict[str, Any] = {name: value for name in ("exercise", "side", "position") if (value := getattr(args, name))}
    if args.athlete:
        given["athlete"] = args.athlete[0]
    if args.before:
        given["before"] = list(args.before)
    if args.limit is not None:
        given["limit"] = f"{args.limit:g}"
    return given


def _describe_exercise(exercise: Exercise) -> dict[str, Any]:
    """What the page shows of an exercise before it begins: texts by heading, the drawing of its rig as an address."""
    drawing = base64.b64encode(draw_rig(exercise).encode()).decode()
    return {
        **{key: getattr(exercise, key) for key in ("name", "title", "muscle", "position")},
        "notes": exercise.to_notes(),
        "drawing": f"data:image/svg+xml;base64,{drawing}" if drawing else "",
        "drawing_text": f"Rig: {exercise.force}. Pushing makes the number rise." if drawing else "",
        "asks": {field: ASKED[field] for field in exercise.unanswered},
    }


def _describe_profiles() -> Any:
    for name in list_profiles():
        with contextlib.suppress(PlanError, SourceError):  # a broken one is told by ``sensors profiles``
            profile = load_profile(name)
            channels = ", ".join(channel.name for channel in profile.channels)
            yield {"name": name, "title": profile.title, "transport": profile.transport, "channels": channels}


def _draw(watched: Watched, findings: list[Finding], title: str) -> str:
    """The picture as an address that the page can show; empty when it cannot be drawn."""
    with contextlib.suppress(SourceError), tempfile.TemporaryDirectory(prefix="biofeedback-check-") as folder:
        path = Path(folder) / "check.png"
        draw_picture(path, watched, findings, title=title)
        return f"data:image/png;base64,{base64.b64encode(path.read_bytes()).decode()}"
    return ""
