"""How to get a library is said for the place where this program is installed, and never by this program's own name."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from biofeedback.storage.extras import EXTRAS, tell_install


@pytest.mark.parametrize(
    ("place", "receipt", "wanted"),
    [
        (("pipx", "venvs", "biofeedback"), False, "install it: pipx inject biofeedback edfio"),
        (("tools", "biofeedback"), True, "install it: uv tool install --with edfio biofeedback"),
    ],
)
def test_a_tool_install_is_told_its_own_way(
    place: tuple[str, ...], receipt: bool, wanted: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    prefix = tmp_path.joinpath(*place)
    prefix.mkdir(parents=True)
    if receipt:
        (prefix / "uv-receipt.toml").write_text("")
    monkeypatch.setattr(sys, "prefix", str(prefix))
    assert tell_install("export") == wanted


def test_elsewhere_the_python_that_runs_is_named_with_its_blanks_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "prefix", "/opt/plain")
    monkeypatch.setattr(sys, "executable", "/opt/my tools/python")
    assert tell_install("cluster") == "install it: \"/opt/my tools/python\" -m pip install 'dask[distributed]'"


@pytest.mark.parametrize("extra", EXTRAS)
def test_no_cure_fetches_something_that_bears_this_programs_name(extra: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "prefix", "/opt/plain")
    assert "biofeedback" not in tell_install(extra).replace(sys.executable, "")
