"""The PDF is whole, A4, and says what the page says."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from biofeedback.cautions import CAUTIONS
from biofeedback.report.pdf import write_pdf
from biofeedback.report.sheet import measure, wrap


def test_it_is_a_pdf_of_a4_pages(any_analysis, tmp_path) -> None:
    path = tmp_path / "report.pdf"
    write_pdf(any_analysis, path)
    data = path.read_bytes()
    assert data.startswith(b"%PDF-")
    assert data.rstrip().endswith(b"%%EOF")
    boxes = re.findall(rb"/MediaBox \[ ([\d. ]+) \]", data)
    assert len(boxes) == 1  # the athlete's page; the details only when asked for
    write_pdf(any_analysis, path, full=True)
    assert 2 <= len(re.findall(rb"/MediaBox", path.read_bytes())) <= 7
    for box in boxes:
        _, _, width, height = map(float, box.split())
        assert width == pytest.approx(595.3, abs=0.1)  # ISO 216 A4 in points
        assert height == pytest.approx(841.9, abs=0.1)


def test_its_text_can_be_read_and_is_complete(check, tmp_path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    path = tmp_path / "report.pdf"
    write_pdf(check, path, full=True)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout
    flat = " ".join(text.split())
    for caution in CAUTIONS:
        for sentence in re.split(r"(?<=\.) ", caution):
            assert sentence in flat
    assert "Less discomfort while contracting" in flat
    assert "Simulated athlete and sensors" in flat
    assert "page 1" in flat
    for word in ("Phase by phase", "How each number was made", "Settings"):
        assert word in flat


@given(st.text(st.characters(codec="latin-1", categories=["L", "N", "P", "Zs"]), max_size=200), st.floats(60, 400))
def test_wrapping_loses_nothing_and_fits(text: str, width: float) -> None:
    lines = wrap(text, width, 9.0)
    assert "".join("".join(lines).split()) == "".join(text.split())
    assert all(measure(line, 9.0) <= width for line in lines)


def test_one_figure_has_one_caption(troubled, tmp_path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    alone = replace(troubled, response=replace(troubled.response, contrasts=()))
    path = tmp_path / "report.pdf"
    write_pdf(alone, path)
    text = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout
    assert "Discomfort in each phase" in " ".join(text.split())
    assert "Right:" not in text
