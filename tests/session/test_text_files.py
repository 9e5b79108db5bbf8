"""Files that people wrote, and what stands there instead: a device without an end, a thousand brackets."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from biofeedback.acquisition.profiles import load_profile
from biofeedback.errors import BiofeedbackError
from biofeedback.session.exercises import load_exercises
from biofeedback.session.plan import load_plan
from biofeedback.toml_file import MAX_BYTES
from biofeedback.wiring.certificates import read_certificate

READERS: tuple[Callable[[Path], object], ...] = (
    load_plan,
    load_exercises,
    lambda path: load_profile(str(path)),
    read_certificate,
)


@pytest.mark.parametrize("content", ["a = " + "[" * 5000, "[" * 5000, '{"a":' * 5000, "#" * (MAX_BYTES + 1), "\udcff"])
@pytest.mark.parametrize("read", READERS)
def test_nesting_and_size_end_in_one_line(tmp_path: Path, content: str, read: Callable[[Path], object]) -> None:
    path = tmp_path / "a.toml"
    path.write_bytes(content.encode("utf-8", "surrogateescape"))
    with pytest.raises(BiofeedbackError):
        read(path)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no /dev/zero here")
@pytest.mark.parametrize("read", [load_plan, load_exercises, read_certificate])
def test_a_device_without_an_end_ends_in_one_line(read: Callable[[Path], object]) -> None:
    with pytest.raises(BiofeedbackError):
        read(Path("/dev/zero"))
