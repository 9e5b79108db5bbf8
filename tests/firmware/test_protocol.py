"""The examples in the protocol's own text hold, read by the book."""

import re
import struct
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from .by_the_book import check

NOTES = Path(__file__).parents[2] / "firmware-notes"
PROTOCOL = (NOTES / "protocol.md").read_text()


def test_check_is_the_published_one():
    """CRC-16/CCITT-FALSE of "123456789" is 0x29B1 (catalogues of CRC algorithms)."""
    assert check(b"123456789") == 0x29B1
    assert f"0x29B1 = {0x29B1}" in PROTOCOL


def test_every_line_in_the_text_has_its_check():
    lines = re.findall(r"^    (#?[a-z0-9].*,\d+)$", PROTOCOL, re.MULTILINE)
    assert len(lines) == 3
    for line in lines:
        body, _, tail = line.rpartition(",")
        assert check(body.encode()) == int(tail)


def test_packet_in_the_text_is_the_lines_in_the_text():
    decoded, sent = (bytes.fromhex(block) for block in re.findall(r"^    ((?:[0-9a-f]{2} ){10,}.*)$", PROTOCOL, re.M))
    assert decoded[:1] == b"F"
    assert struct.unpack("<HI", decoded[1:7]) == (7, 7000)
    assert list(struct.iter_unpack("<HHi", decoded[7:-2])) == [(512, 498, -1234), (513, 497, -1230)]
    assert struct.unpack("<H", decoded[-2:])[0] == check(decoded[:-2])
    pieces = decoded.split(b"\0")  # shorter than 254 bytes: COBS is each piece between zeros after its length + 1
    assert sent == b"".join(bytes([len(piece) + 1]) + piece for piece in pieces) + b"\0"


def test_longest_line_and_packet_are_as_stated():
    longest = b"65535,4294967295,1023,1023,-8388608,65535\n"
    assert len(longest) == 42
    assert f"text, at most | {len(longest)} |" in PROTOCOL
    packet = struct.calcsize("<cHI" + 10 * "HHi" + "H") + 2  # COBS and the zero
    assert f"packets of 10 frames | {packet / 10} |" in PROTOCOL


@pytest.mark.parametrize("name", ["wiring_load_cell.svg", "wiring_emg.svg"])
def test_drawings_are_there_and_described(name):
    root = ET.parse(NOTES / name).getroot()
    space = "{http://www.w3.org/2000/svg}"
    assert root.find(f"{space}title").text
    assert len(root.find(f"{space}desc").text) > 80
    assert f"({name})" in (NOTES / "README.md").read_text()


def test_links_lead_somewhere():
    for target in re.findall(r"\]\(([^)#]+)\)", (NOTES / "README.md").read_text()):
        assert (NOTES / target).exists(), target


def test_radio_sketch_says_that_no_board_has_run_it():
    assert "NOT RUN ON A BOARD HERE" in (NOTES / "ble_sketch" / "ble_sketch.ino").read_text().splitlines()[0]


@pytest.mark.parametrize("name", ["wiring_load_cell.svg", "wiring_emg.svg"])
def test_drawings_say_what_the_text_says_of_danger_to_board_and_person(name):
    drawn = " ".join(ET.parse(NOTES / name).getroot().itertext())
    assert "USB isolator" not in drawn, "it protects nobody"
    assert "3.3 V board:" in drawn
    if "load_cell" in name:
        assert "only where the converter board leaves it free" in drawn


def test_notes_say_what_spoils_a_board_or_a_maximum():
    text = " ".join((NOTES / "README.md").read_text().split())
    for said in (
        "Connect the rate pin only after that tie is cut or lifted",
        "A 3.3 V board is damaged by 5 V signals",
        "the amplifier's output must stay below 3.3 V",
        "USB isolator protects equipment, not people",
    ):
        assert said in text
    protocol = (NOTES / "protocol.md").read_text()
    assert "the first conversions are not settled" in protocol
    assert "ask for an MTU of at least 100" in protocol
    for sketch in ("sketch/sketch.ino", "ble_sketch/ble_sketch.ino"):
        code = (NOTES / sketch).read_text()
        assert "analogReadResolution(" in code, sketch
        assert "rails=0..%u" in code, "as the converter is set"
        assert "id=%s" in code
