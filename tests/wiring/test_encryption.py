"""With which certificate a shared page is encrypted, and what is said about it."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import pytest

from biofeedback.web import certificate as certificates
from biofeedback.web.certificate import PageCertificate
from biofeedback.wiring.encryption import PLAIN, choose_certifier

MADE = PageCertificate(Path("made.pem"), Path("made.key"), "12AB 34CD 56EF 7890 1234")
OWN = PageCertificate(Path("own.pem"), Path("own.key"), "AAAA BBBB CCCC DDDD", ("desk.example",), True, "it ends soon")


def say(**words: object) -> argparse.Namespace:
    usual = {"share": True, "share_plain": False, "share_certificate": None, "folder": Path("here")}
    return argparse.Namespace(**{**usual, **words})


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    asked: list[object] = []

    def find(folder: Path, hosts: Sequence[str]) -> PageCertificate:
        asked.append((folder, list(hosts)))
        return MADE

    def load(text: str) -> PageCertificate:
        asked.append(text)
        return OWN

    monkeypatch.setattr(certificates, "find_certificate", find)
    monkeypatch.setattr(certificates, "load_own_certificate", load)
    return asked


def test_nothing_shared_or_plainly_shared_needs_none(asked: list[object], capsys: pytest.CaptureFixture[str]) -> None:
    assert choose_certifier(say(share=False)) is None
    assert capsys.readouterr().err == ""
    assert choose_certifier(say(share_plain=True)) is None
    assert capsys.readouterr().err.strip() == PLAIN.strip()
    assert asked == []


def test_without_one_of_its_own_a_computer_makes_one_and_says_its_fingerprint(
    asked: list[object], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    certify = choose_certifier(say())
    assert certify is not None
    assert asked == []  # only when the address is known
    assert certify(["192.0.2.7"]) is MADE
    assert asked == [(Path("here"), ["192.0.2.7"])]
    told = capsys.readouterr()
    assert told.out.endswith(f"begins with {MADE.first_groups}\n")
    assert told.err == ""
    monkeypatch.setenv("BIOFEEDBACK_FOLDER", "there")
    usual = choose_certifier(say(folder=None))
    assert usual is not None
    usual([])
    assert asked[-1] == (Path("there"), [])


def test_a_certificate_of_ones_own_is_read_at_once_and_its_warning_told(
    asked: list[object], capsys: pytest.CaptureFixture[str]
) -> None:
    certify = choose_certifier(say(share_certificate="own.pem,own.key"))
    assert certify is not None
    assert asked == ["own.pem,own.key"]
    assert certify(["192.0.2.7"]) is OWN
    assert asked == ["own.pem,own.key"]
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", "it ends soon\n")
