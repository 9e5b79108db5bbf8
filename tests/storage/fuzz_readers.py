"""Coverage-guided fuzzing of everything that reads what a stranger may have written (by atheris).

Run: python tests/storage/fuzz_readers.py TARGET [--seconds 600]; without a target, all of them one after the other.
Inputs that reach new code are kept in ``corpus/TARGET``, a crash too; ``test_fuzz_corpus.py`` plays them all.
"""

from __future__ import annotations

import argparse
import contextlib
import functools
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))
CORPUS = Path(__file__).parent / "corpus"
MAX_BYTES = 60_000
PIECE_S = 120  # then a new process goes on with what was found: the fuzzer itself keeps 40 kB of every input


def use_recording(data: bytes, folder: Path) -> None:
    """Opening, reading, check and repair."""
    from biofeedback.errors import RecordingError
    from biofeedback.storage.check import check_recording, repair_recording
    from biofeedback.storage.recording import open_recording

    path, copy = folder / "a.hold", folder / "copy.hold"
    path.write_bytes(data)
    for use in (lambda: open_recording(path).counts(), lambda: check_recording(path)):
        with contextlib.suppress(RecordingError):
            use()
    with contextlib.suppress(RecordingError):
        repair_recording(path, copy)
        open_recording(copy).counts()
    copy.unlink(missing_ok=True)


def use_log(data: bytes, folder: Path) -> None:
    """A log of any bytes beside a sound recording."""
    from biofeedback.errors import RecordingError
    from biofeedback.storage.check import check_recording
    from biofeedback.storage.log import parse_log

    parse_log(data) if data else None
    path, seed = folder / "a.hold", folder / "seed.hold"
    if not seed.exists():
        make_seeds(folder)
    shutil.copy(seed, path)
    Path(f"{path}-wal").write_bytes(data)
    with contextlib.suppress(RecordingError):
        check_recording(path)


def use_json(data: bytes, folder: Path) -> None:
    """A value of a row."""
    from biofeedback.storage.schema import read_json

    with contextlib.suppress(ValueError):
        read_json(data.decode("utf-8", "surrogateescape"))


def use_toml(data: bytes, folder: Path) -> None:
    """A plan, exercises, a profile, a certificate."""
    from biofeedback.acquisition.profiles import load_profile
    from biofeedback.errors import BiofeedbackError
    from biofeedback.session.exercises import load_exercises
    from biofeedback.session.plan import load_plan
    from biofeedback.wiring.certificates import read_certificate

    path = folder / "a.toml"
    path.write_bytes(data)
    for read in (load_plan, load_exercises, lambda path: load_profile(str(path)), read_certificate):
        with contextlib.suppress(BiofeedbackError):
            read(path)


def use_message(data: bytes, folder: Path) -> None:
    """What pages say to a session."""
    from tests.storage import fuzz_sessions

    fuzz_sessions.use_message(data, folder)


def use_events(data: bytes, folder: Path) -> None:
    """What the events of a file say."""
    from tests.storage import fuzz_sessions

    fuzz_sessions.use_events(data, folder)


def use_csv(data: bytes, folder: Path) -> None:
    """A table made elsewhere."""
    from biofeedback.errors import BiofeedbackError
    from biofeedback.storage.csv_import import import_csv

    path = folder / "a.csv"
    path.write_bytes(data)
    with contextlib.suppress(BiofeedbackError), warnings.catch_warnings(action="ignore"):
        import_csv(path)


def use_edf(data: bytes, folder: Path) -> None:
    """An EDF+ file made elsewhere."""
    from biofeedback.errors import BiofeedbackError
    from biofeedback.storage.edf_import import import_edf

    path = folder / "a.edf"
    path.write_bytes(data)
    with contextlib.suppress(BiofeedbackError), warnings.catch_warnings(action="ignore"):
        import_edf(path)


@functools.cache
def load_profiles() -> list[Any]:
    """Ours, read once."""
    from biofeedback.acquisition.profiles import list_profiles, load_profile

    return [load_profile(name) for name in list_profiles()]


def use_decoder(data: bytes, folder: Path) -> None:
    """What a board sends, by each of our profiles, in pieces of any size: never a fault, and time without holes."""
    from biofeedback.acquisition.decoder import LineDecoder
    from biofeedback.acquisition.timeline import Timeline
    from biofeedback.model import Note

    decoders = [LineDecoder(columns="seq,t_us,force"), LineDecoder(columns="force,emg,check")]
    decoders += [profile.make_decoder() for profile in load_profiles()]
    step = 1 + (data[0] if data else 0)
    for decoder in decoders:
        timeline, arrival_s, end = None, 0.0, 0
        for at in range(1, len(data), step):
            arrival_s += 0.02
            decoded = decoder.feed(data[at : at + step])
            width = next((piece.counts.shape[1] for piece in decoded if hasattr(piece, "counts")), 0)
            timeline = timeline or (Timeline(80.0, width) if width else None)
            for item in timeline.place(decoded, arrival_s) if timeline else ():
                if not isinstance(item, Note):
                    assert item.first_frame == end, "a hole or an overlap"
                    end = item.end_frame
        assert end <= 80.0 * (arrival_s + 30.0) + len(data), "time ran away"


TARGETS: dict[str, Callable[[bytes, Path], None]] = {
    "recording": use_recording,
    "log": use_log,
    "json": use_json,
    "toml": use_toml,
    "message": use_message,
    "events": use_events,
    "decoder": use_decoder,
    "csv": use_csv,
    "edf": use_edf,
}


def make_seeds(folder: Path) -> dict[str, list[bytes]]:
    """Something of each kind to begin with."""
    import numpy as np

    from biofeedback.model import Chunk, Event
    from biofeedback.storage.recorder import Recorder
    from biofeedback.storage.recording import open_recording
    from tests.storage.fuzz_sessions import make_event_seeds, make_message_seeds
    from tests.storage.helpers import make_settings

    path = folder / "seed.hold"
    with Recorder.create(path, make_settings(), threaded=False) as recorder:
        recorder.append(Chunk(0, np.ones((30, 2))))
        recorder.event(Event(3, "rating", {"value": 3}))
    seeds = {name: [b""] for name in TARGETS}
    seeds["recording"] = [path.read_bytes()]
    seeds["json"] = [b'{"a":[1,{"b":"\\u00e4"}]}']
    seeds["toml"] = [each.read_bytes() for each in sorted((ROOT / "biofeedback").rglob("*.toml"))]
    seeds["message"], seeds["events"] = make_message_seeds(), make_event_seeds()
    seeds["decoder"] = [
        b"\x20" + b"".join(b"%d,%d,%d\n" % (k, 12500 * k, 100 + k) for k in range(40)),
        b"\x07force 1.25 N\nW: 3,5 kg\n#boot x\n1 2\n3 4\n",
        b"\x40" + bytes(range(256)),
    ]
    seeds["csv"] = [b"time,force\n0.00,1\n0.01,2\n0.02,3\n", b"force;emg\n1,5;2\n1,6;3\n"]
    with contextlib.suppress(ImportError):
        from biofeedback.storage.edf import export_edf

        export_edf(open_recording(path), folder / "a.edf", n_bits=16)
        seeds["edf"] = [(folder / "a.edf").read_bytes()]
    return seeds


def fuzz(name: str, seconds: int, found: Path) -> None:
    """Ends the process: libFuzzer does. ``found``: what reached new code so far, and from now on."""
    import atheris

    with atheris.instrument_imports(include=["biofeedback"]):
        import biofeedback.account.commands
        import biofeedback.account.fold
        import biofeedback.acquisition.profiles
        import biofeedback.acquisition.timeline
        import biofeedback.session.engine
        import biofeedback.session.exercises
        import biofeedback.session.phone
        import biofeedback.session.plan_file
        import biofeedback.session.view
        import biofeedback.storage.check
        import biofeedback.storage.csv_import
        import biofeedback.storage.edf_import
        import biofeedback.web.messages
        import biofeedback.wiring.certificates  # noqa: F401
    folder = Path(tempfile.mkdtemp())
    kept = CORPUS / name
    kept.mkdir(parents=True, exist_ok=True)
    given = folder / "seeds"
    given.mkdir()
    for number, seed in enumerate(make_seeds(folder)[name]):
        (given / str(number)).write_bytes(seed)
    target = TARGETS[name]
    options = [f"-max_total_time={seconds}", f"-max_len={MAX_BYTES}", "-timeout=10", f"-artifact_prefix={kept}/"]
    atheris.Setup(
        [sys.argv[0], *options, "-print_final_stats=1", str(found), str(kept), str(given)],
        lambda data: target(data, folder),
    )
    atheris.Fuzz()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", nargs="?", choices=TARGETS)
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--found", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.found:
        fuzz(args.target, args.seconds, args.found)
    for name in [args.target] if args.target else TARGETS:
        fuzz_in_pieces(name, args.seconds)


def fuzz_in_pieces(name: str, seconds: int) -> None:
    """One process after the other, until one crashes or the time is over."""
    n_inputs, lines, code = 0, [], 0
    with tempfile.TemporaryDirectory() as found:
        for done_s in range(0, seconds, PIECE_S):
            piece_s = min(PIECE_S, seconds - done_s)
            command = [sys.executable, __file__, name, "--seconds", str(piece_s), "--found", found]
            done = subprocess.run(command, check=False, stderr=subprocess.PIPE, text=True, errors="replace")
            code, lines = done.returncode, done.stderr.splitlines()
            n_inputs += sum(int(line.split()[-1]) for line in lines if "number_of_executed_units" in line)
            if code:
                break
    print(f"{name:10} {n_inputs} inputs, {'no crash' if code == 0 else 'CRASH'}", flush=True)
    if code:
        print("\n".join(lines[-30:]))


if __name__ == "__main__":
    main()
