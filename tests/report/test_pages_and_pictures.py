"""Which parts a report has, on paper and on the page; a sensor's and a scale's pictures as data."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from biofeedback.account.kinds import Noted
from biofeedback.acquisition.felt_source import RATING
from biofeedback.model import Channel
from biofeedback.report import pdf
from biofeedback.report.figures import PALETTE, STYLE
from biofeedback.report.html import build_report
from biofeedback.report.scale_figure import draw_residuals, write_residuals
from biofeedback.report.sensor_figure import GOOD, TROUBLE, draw_sensor, write_sensor_picture


def remember(check, **changes):
    return replace(check, trace=replace(check.trace, account=replace(check.trace.account, **changes)))


# -- on paper ---------------------------------------------------------------------------------------------------------


class Written:
    """A sheet that remembers in which order what was written on it."""

    def __init__(self, _pages, head, foot):
        self.parts, self.about = [], (head, foot)
        Written.last = self

    def turn(self):
        self.parts.append("turn")

    def finish(self):
        self.parts.append("finish")

    def space(self, points):
        pass

    def heading(self, text):
        self.parts.append(f"# {text}")

    def paragraph(self, text, **_):
        self.parts.append(text)

    def bullets(self, texts, **_):
        self.parts += [f"• {text}" for text in texts]

    def definitions(self, pairs):
        self.parts.append(f"{len(list(pairs))} definitions")

    def figures(self, draws, _analysis, height, *, share=1.0):
        self.parts.append(f"<{' '.join(draw.__name__ for draw in draws)} {height:g} {share:g}>")

    def table(self, table):
        self.parts.append(f"[{table.title}]")


@pytest.fixture
def on_paper(monkeypatch, tmp_path):
    def write(analysis, *, full=True):
        monkeypatch.setattr(pdf, "Sheet", Written)
        pdf.write_pdf(analysis, tmp_path / "a.pdf", full=full)
        return Written.last.parts

    return write


def test_the_first_sheet_has_its_parts_in_order_and_the_details_only_when_asked_for(check, on_paper) -> None:
    short, full = on_paper(check, full=False), on_paper(check)
    heads = [part for part in short if part.startswith(("#", "<"))]
    assert heads == ["<draw_ratings 145 1>", "# What to do next", "# Cautions"]
    assert short[0].startswith("A01 · hurdle seat · left")
    assert short[2] == "Simulated athlete and sensors"
    assert short[-1] == full[-1] == "finish"
    assert full[: len(short) - 1] == short[:-1]
    assert full[len(short) - 1] == "turn"
    heads = [part for part in full[len(short) :] if part.startswith(("#", "<", "["))]
    assert heads == [
        "# Details", "# What was done", "<draw_contrasts 145 0.5>", "<draw_trace 230 1>", "[Phase by phase]",
        "[Each contraction against its neighbours]", "[How much effort]", "<draw_dose 165 0.5>",
        "[How the contractions lasted]", "[Each rating and what went before it]", "# Maximum",
        "# How each number was made", "# What the literature says", "# Settings",
    ]  # fmt: skip
    assert Written.last.about[1] == "biofeedback 0.1.0"


def test_parts_without_material_are_left_out_on_paper_and_on_the_page(check, on_paper) -> None:
    real = replace(check, settings={**check.settings, "simulated": False})
    assert "Simulated athlete and sensors" not in on_paper(real)
    silent = replace(check, phases=tuple(replace(row, rating=replace(row.rating, value=None)) for row in check.phases))
    one_rated = replace(check, phases=(*silent.phases[:-1], check.phases[-1]))
    none = replace(check, phases=tuple(replace(row, rating=None) for row in check.phases))
    for analysis, is_drawn in ((silent, False), (none, False), (one_rated, True)):
        assert any(part.startswith("<draw_ratings") for part in on_paper(analysis)) == is_drawn
        front = build_report(analysis).split("<details>")[0]
        assert ("<svg" in front) == is_drawn
    noted = remember(check, notes=[(100, Noted(text="knee fine", by="coach"))])
    assert on_paper(noted)[on_paper(noted).index("# Coach’s notes") + 1] == "• 0:01: knee fine"
    assert "# Coach’s notes" not in on_paper(check)
    warned = replace(check, warnings=("look here",))
    assert on_paper(warned)[on_paper(warned).index("# Warnings") + 1] == "• look here"
    assert "# Warnings" not in on_paper(check)
    assert ["<h2>Warnings</h2>" in build_report(each) for each in (warned, check)] == [True, False]
    unknown = tuple(replace(c, change=None) for c in check.response.contrasts)
    bare = replace(check, response=replace(check.response, contrasts=unknown))
    assert not any(part.startswith("<draw_contrasts") for part in on_paper(bare))
    one = replace(check, response=replace(check.response, contrasts=(check.response.contrasts[0], *unknown[1:])))
    assert any(part.startswith("<draw_contrasts") for part in on_paper(one))


def test_the_maximum_has_a_part_of_its_own_where_no_table_of_attempts_tells_it(check, on_paper) -> None:
    from biofeedback.account.values import Attempt
    from biofeedback.analysis.answer import AttemptRow

    tried = replace(check, attempts=(AttemptRow(1, Attempt("force", "N", 400.0, 410.0, 1.0, 0.1, 1.0, 3.0, True, "")),))
    felt = remember(check, channels=[RATING])
    for analysis, on_sheet, on_page in ((check, True, True), (tried, False, False), (felt, True, False)):
        assert ("# Maximum" in on_paper(analysis)) == on_sheet
        assert ("<h3>Maximum</h3>" in build_report(analysis)) == on_page
    assert any(part.startswith("Effort as the athlete said it") for part in on_paper(felt))
    assert not any(part.startswith("Effort as the athlete said it") for part in on_paper(check))


def test_a_second_channel_makes_the_trace_higher_on_paper_and_on_the_page(check, on_paper) -> None:
    trace = check.trace
    two = replace(
        check,
        phases=tuple(replace(row, summaries=row.summaries * 2) for row in check.phases),
        trace=replace(
            trace, channels=(trace.channels[0], Channel(name="emg", kind="emg", unit="uV", envelope=True)),
            delay_s=trace.delay_s * 2, baseline_methods=trace.baseline_methods * 2,
            **{name: np.repeat(getattr(trace, name), 2, axis=1)
               for name in ("level", "percent", "baseline", "plus_minus_percent", "flags")},
        ),
    )  # fmt: skip
    assert "<draw_trace 292 1>" in on_paper(two)

    def height_of(page) -> float:
        boxes = re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', page)
        return next(float(h) / float(w) * 8.6 for w, h in boxes[1:] if float(w) > 600)

    assert (height_of(build_report(check)), height_of(build_report(two))) == pytest.approx((3.9, 5.0), abs=0.01)


# -- a sensor ---------------------------------------------------------------------------------------------------------


def channel_of(counts, *, clipped=None, hum=None, name="emg", amplitude=None):
    counts = np.asarray(counts, dtype=float)
    clipped = np.zeros(counts.size, dtype=bool) if clipped is None else clipped
    amplitude = np.linspace(5.0, 0.5, 51) if amplitude is None else amplitude
    return SimpleNamespace(
        channel=Channel(name=name, kind="emg", unit="uV"), counts=counts, clipped=clipped, hum=hum,
        frequency_hz=np.linspace(0, 500, 51), amplitude=np.asarray(amplitude, dtype=float),
    )  # fmt: skip


def draw(*channels, gaps=(), intervals=(1.0,) * 50, trouble=(), declared_ms=1.0, n=None):
    n = n or max(one.counts.size for one in channels)
    portrait = SimpleNamespace(
        channels=channels, time_s=np.arange(n) / 1000.0, gaps=gaps, declared_ms=declared_ms, clock="by arrival",
        intervals_ms=np.array(intervals),
    )  # fmt: skip
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(10.5, 2.3 + 2.0 * len(channels)), dpi=100)
        FigureCanvasAgg(figure)
        draw_sensor(figure, portrait, trouble, title="port")
    return figure.axes


RAMP = np.arange(2000.0)


def titles(axes, loc):
    return axes.get_title(loc=loc)


def test_a_trace_is_drawn_from_lowest_to_highest_of_each_column() -> None:
    trace, *_ = draw(channel_of(RAMP))
    (band,) = trace.collections
    corners = {tuple(corner) for corner in np.round(band.get_paths()[0].vertices, 6).tolist()}
    n = 3  # 2000 readings over at most 900 columns
    for k in range(0, 1998, 300):
        assert (k / 1000, float(k)) in corners
        assert (k / 1000, float(k + n - 1)) in corners
    assert (1.998, 1998.0) in corners
    assert (1.998, 1999.0) in corners
    exact, *_ = draw(channel_of(np.arange(900.0)))
    assert len({x for x, _ in exact.collections[0].get_paths()[0].vertices.tolist()}) == 900
    assert titles(trace, "left") == "emg"
    assert trace.get_ylabel() == "counts"


def test_gaps_clipped_readings_and_dead_channels_are_marked_and_told() -> None:
    counts = RAMP.copy()
    counts[500:700] = np.nan
    clipped = np.zeros(2000, dtype=bool)
    clipped[1000:1090] = True
    counts[1000:1090] = 1023.0
    trace, *_ = draw(channel_of(counts, clipped=clipped), gaps=[(0.5, 0.6), (0.6, 0.7)])
    assert [(p.get_bbox().x0, p.get_bbox().x1) for p in trace.patches] == [(0.5, 0.6), (0.6, 0.7)]
    assert all(patch.get_hatch() for patch in trace.patches)
    assert titles(trace, "right") == "hatched: 2 gaps, 0.2 s, crosses: 5 % clipped"
    crosses = next(line for line in trace.lines if line.get_marker() == "x")
    assert crosses.get_xdata()[0] == 1.0
    assert 60 <= crosses.get_xdata().size <= 120, "enough to see where"
    levels = [line.get_ydata()[0] for line in trace.lines if line.get_marker() != "x"]
    assert levels == [1023.0]
    one, *_ = draw(channel_of(RAMP), gaps=[(0.5, 0.6)])
    assert titles(one, "right") == "hatched: 1 gap, 0.1 s"
    dead, *_ = draw(channel_of(np.full(100, 7.0)))
    assert [text.get_text() for text in dead.texts] == ["never changes"]
    nothing, *_ = draw(channel_of(np.full(100, np.nan)))
    assert [text.get_text() for text in nothing.texts] == ["no data"]
    assert not nothing.collections


@pytest.mark.parametrize(("percent", "is_strong"), [(20.0, False), (20.1, True)])
def test_hum_stands_at_its_frequency_and_strong_hum_stands_out(percent, is_strong) -> None:
    _, spectrum, *_ = draw(channel_of(RAMP, hum=(50, percent)))
    (line,) = [line for line in spectrum.lines if line.get_color() == PALETTE["rating"]]
    assert set(line.get_xdata()) == {50}
    assert line.get_linestyle() == ("--" if is_strong else ":")
    assert titles(spectrum, "right") == "50 Hz hum: 20 % of the power"
    assert titles(spectrum, "left") == ""
    assert spectrum._right_title.get_fontweight() == ("bold" if is_strong else "normal")
    assert spectrum.get_xlim() == (0, 500)
    curve = spectrum.lines[0].get_xydata()
    assert curve[0].tolist() == [10.0, pytest.approx(4.91)], "what does not change has no place among frequencies"
    assert len(curve) == 50
    _, calm, *_ = draw(channel_of(RAMP))
    assert titles(calm, "left") == "over frequency"
    _, empty, *_ = draw(channel_of(RAMP, amplitude=np.zeros(51)))
    assert [text.get_text() for text in empty.texts] == ["nothing to show"]
    _, partly, *_ = draw(channel_of(RAMP, amplitude=np.eye(51)[3]))
    assert partly.lines[0].get_xydata().tolist() == [[30.0, 1.0]]


@pytest.mark.parametrize(
    ("intervals", "edge", "told"),
    [([1.0] * 100, 2.5, ""), ([4.0] * 100, 4.4, ""), ([1.0] * 198 + [9.0, 30.0], None, "longer, to 30 ms")],
)
def test_intervals_from_reading_to_reading_are_counted_and_long_ones_told(intervals, edge, told) -> None:
    *_, axes, _ = draw(channel_of(RAMP), intervals=intervals)
    counted = sum(patch.get_height() for patch in axes.patches)
    assert counted == len(intervals)
    left, right = axes.get_xlim()
    assert left == 0
    wanted = edge or max(2.5, float(np.quantile(intervals, 0.99)) * 1.1)
    assert right == pytest.approx(wanted)
    assert axes.get_ylim()[1] == pytest.approx(1.35 * max(patch.get_height() for patch in axes.patches))
    beyond = sum(one > wanted for one in intervals)
    texts = [text.get_text() for text in axes.texts]
    assert texts == ([f"{beyond} {told}"] if told else []) + [" declared 1 ms"]
    assert any(set(line.get_xdata()) == {1.0} for line in axes.lines)
    assert axes.get_xlabel() == "ms, by arrival"
    *_, none, _ = draw(channel_of(RAMP), intervals=[])
    assert [text.get_text() for text in none.texts] == [" declared 1 ms"]


@pytest.mark.parametrize("n", [0, 1, 5, 6, 8])
def test_the_verdict_names_five_troubles_and_how_many_more(n) -> None:
    *_, verdict = draw(channel_of(RAMP), trouble=[f"trouble {k}" for k in range(n)])
    head, words = (text.get_text() for text in verdict.texts)
    assert head == (TROUBLE if n else GOOD)
    lines = words.split("\n")
    assert lines == (
        [f"•  trouble {k}" for k in range(min(n, 5))] + ([f"•  and {n - 5} more"] if n > 5 else [])
        if n
        else ["nothing stands out in what was seen"]
    )


def test_channels_stand_below_each_other_on_one_time_and_only_the_last_names_it() -> None:
    axes = draw(channel_of(RAMP), channel_of(RAMP, name="force"))
    first, _, second, _, intervals, verdict = axes
    assert (first.get_xlabel(), second.get_xlabel()) == ("", "s")
    assert first.get_shared_x_axes().joined(first, second)
    assert first.get_position().y0 > second.get_position().y1 > intervals.get_position().y1
    assert verdict.get_position().x1 < intervals.get_position().x0
    assert not verdict.axison


def test_a_picture_of_more_channels_is_higher(tmp_path: Path) -> None:
    def height(n: int) -> float:
        portrait = SimpleNamespace(
            channels=[channel_of(RAMP)] * n, time_s=RAMP / 1000, gaps=(), declared_ms=1.0, clock="by arrival",
            intervals_ms=np.ones(9),
        )  # fmt: skip
        path = tmp_path / f"{n}.png"
        write_sensor_picture(path, portrait, [], title="port")
        data = path.read_bytes()
        assert int.from_bytes(data[16:20], "big") == 1050  # PNG, section 11.2.2: IHDR begins with width and height
        return int.from_bytes(data[20:24], "big") / 100

    assert (height(1), height(2)) == (4.3, 6.3)


# -- a scale ----------------------------------------------------------------------------------------------------------


def draw_scale(rising, *, limit=0.5, loads=(0.0, 50.0, 100.0, 50.0), residuals=(0.0, 0.2, -0.1, 0.3)):
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(7.2, 4.2), layout="constrained")
        FigureCanvasAgg(figure)
        draw_residuals(
            figure, np.array(loads), np.array(residuals), np.array(rising), unit="N", lower_limit=limit, title="cell"
        )
        figure.draw_without_rendering()
    return figure


def test_residuals_stand_over_their_loads_rising_and_falling_apart_within_the_limit(tmp_path: Path) -> None:
    figure = draw_scale([True, True, True, False])
    (axes,) = figure.axes
    marks = {line.get_marker(): line for line in axes.lines if line.get_marker() in "^v"}
    assert marks["^"].get_xydata().tolist() == [[0, 0], [50, 0.2], [100, -0.1]]
    assert marks["v"].get_xydata().tolist() == [[50, 0.3]]
    assert (marks["^"].get_markerfacecolor(), marks["v"].get_markerfacecolor()) == (PALETTE["effort"], PALETTE["paper"])
    joined = next(line for line in axes.lines if line.get_color() == PALETTE["soft"] and len(line.get_xdata()) == 4)
    assert joined.get_xydata().tolist() == [[0, 0], [50, 0.2], [100, -0.1], [50, 0.3]]
    (band,) = axes.patches
    assert (band.get_y(), band.get_y() + band.get_height()) == (-0.5, 0.5)
    assert [text.get_text() for text in axes.get_legend().get_texts()] == [
        "within the lower limit factor", "load added", "load taken off",
    ]  # fmt: skip
    assert (axes.get_xlabel(), axes.get_ylabel()) == ("load, N", "reading minus fit, N")
    (percent,) = axes.child_axes
    assert percent.get_ylabel() == "% of full scale"
    assert percent.get_ylim() == pytest.approx(axes.get_ylim())  # of a span of 100 N a newton is a percent
    (half,) = draw_scale([True] * 3, loads=(0, 100, 200), residuals=(0.0, 0.2, -0.1)).axes[0].child_axes
    assert half.get_ylim() == pytest.approx(np.array(half._parent.get_ylim()) / 2)
    only = draw_scale([True] * 4, limit=None).axes[0]
    assert [text.get_text() for text in only.get_legend().get_texts()] == ["load added"]
    assert not only.patches
    write_residuals(
        tmp_path / "a.png", loads=np.array([0.0, 1.0]), residuals=np.array([0.0, 0.1]), rising=np.array([True, True]),
        unit="N", lower_limit=None, title="cell",
    )  # fmt: skip
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
