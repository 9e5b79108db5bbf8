"""Faults that went unnoticed once, and faults that change nothing: the tables of ``bench_mutants.py``.

A fault is told by its file (below ``biofeedback/``), what stood there and what it became. Both pieces of text are as
long as it takes to occur once in the file, so that an entry outlives lines that move; where the code itself has
changed, an entry means nothing and can go.
"""

from __future__ import annotations

# Faults that the tests once did not notice: file, what stood there, what it became.
KNOWN: tuple[tuple[str, str, str], ...] = (
    ("storage/imported.py", '"lbf": ("N", 4.4482216152605)', '"lbf": ("N", 3.7)'),
    ("storage/imported.py", '"lbf": ("N", 4.4482216152605)', '"lb": ("N", 4.4482216152605)'),
    ("calibration/units.py", '"lbf": KG_PER_LB * STANDARD_GRAVITY_M_PER_S2', '"lbf": KG_PER_LB'),
    ("calibration/relaxed.py", "UNUSABLE = int(Flag.MISSING | Flag.CLIPPED", "UNUSABLE = int(Flag.MISSING"),
    ("calibration/relaxed.py", "Flag.CLIPPED | Flag.SETTLING)", "Flag.CLIPPED)"),
    ("calibration/relaxed.py", "EMG_DOUBTFUL = int(Flag.HUM | Flag.ELECTRODE)", "EMG_DOUBTFUL = int(Flag.ELECTRODE)"),
    ("calibration/relaxed.py", "return max((mean for mean in means", "return min((mean for mean in means"),
    ("calibration/relaxed.py", "percent, flags = percent[-n_look:], flags[-n_look:]", "pass"),
    ("calibration/relaxed.py", "< level_rate_hz:\n            continue", "< 0:\n            continue"),
    ("calibration/polynomial.py", "len(np.unique(x)) > fit.degree + 1", "len(np.unique(x)) > fit.degree"),
    ("calibration/passive_fit.py", "EXPECTED_FALL = 0.33", "EXPECTED_FALL = 0.0"),
    ("calibration/passive.py", "MODEL_DOUBT * max(abs(moves), abs(usually))", "MODEL_DOUBT * abs(moves)"),
    ("calibration/effort.py", "(seen & UNUSABLE) == 0\n", "(seen & 0) == 0\n"),
    ("calibration/effort.py", "[None] & UNUSABLE) == 0", "[None] & 0) == 0"),
    ("calibration/effort.py", "not is_active and self._is_settled", "self._is_settled"),
    ("analysis/holds.py", "measured_s=min(held) if held", "measured_s=max(held) if held"),
    ("analysis/response.py", "given = np.array([p.rating is not None for p in phases])", "given = np.full(11, True)"),
    ("session/hold.py", "return max(0, self._phase_end - level) / ", "return max(0, self._phase_end - level) * "),
    ("session/hold.py", "return (self._ask_closes - level) / ", "return (self._ask_closes - level) * "),
    ("session/hold.py", "self._ask_opens = max(level, self._ask_opens + end - self._phase_end)", "pass"),
    ("session/hold.py", "self._ask_closes += end - self._phase_end", "pass"),
    ("session/watch.py", "percent[:, column] += 100.0 * baseline", "percent[:, column] += 0.0 * baseline"),
    ("session/state.py", "n = max(1, min(n, self.activity.boundary - self.level))", "n = max(1, n)"),
    ("session/state.py", "self.level >= self.activity.boundary", "self.level > self.activity.boundary"),
    ("session/plan.py", "MOST_DRAWN = 60", "MOST_DRAWN = 61"),
    ("session/plan.py", "len(bands) == 1 or len(bands) > 10", "len(bands) > 10"),
    ("session/plan.py", "len(bands) == 1 or len(bands) > 10", "len(bands) == 1 or len(bands) > 11"),
    ("session/plan.py", "MOST_PHASES = 500", "MOST_PHASES = 600"),
    ("storage/disk.py", "path.unlink(missing_ok=True)", "pass"),
    ("storage/csv_import.py", "return sidecar if is_ours else {}", "return sidecar"),
    ("signal/emg.py", "NOTCH_SETTLING_S = 0.75", "NOTCH_SETTLING_S = 0.0"),
    ("signal/quality.py", "max(n_frames, self._n_stretch)", "n_frames"),
)  # fmt: skip

# Which tests notice them: running these alone is quick.
NOTICED_BY = {
    "storage/imported.py": ("tests/storage/test_import.py",),
    "calibration/units.py": ("tests/calibration/test_units.py",),
    "calibration/relaxed.py": ("tests/calibration/test_relaxed.py", "tests/calibration/test_effort.py"),
    "calibration/polynomial.py": ("tests/calibration/test_polynomial.py",),
    "calibration/passive.py": ("tests/calibration/test_passive.py",),
    "calibration/passive_fit.py": ("tests/calibration/test_passive.py",),
    "calibration/effort.py": ("tests/calibration/test_effort.py",),
    "analysis/holds.py": ("tests/analysis/test_holds.py",),
    "analysis/response.py": ("tests/analysis/test_response.py",),
    "session/hold.py": ("tests/session/test_watch.py",),
    "session/watch.py": ("tests/session/test_watch.py",),
    "session/state.py": ("tests/session/test_watch.py", "tests/session/test_engine.py"),
    "session/plan.py": ("tests/session/test_plan.py",),
    "storage/disk.py": ("tests/storage/test_check.py",),
    "storage/csv_import.py": ("tests/storage/test_import.py",),
    "signal/emg.py": ("tests/signal/test_quality.py",),
    "signal/quality.py": ("tests/signal/test_quality.py",),
}

# What changes nothing that anybody could see: file, what stood there, what it became, why that is the same.
HARMLESS: tuple[tuple[str, str, str, str], ...] = (
    (
        "web/static/phone/angle.js",
        "new Uint32Array(2)",
        "new Uint32Array(3)",
        "a name drawn by lot, compared only with itself",
    ),
    (
        "web/static/phone/angle.js",
        "this.listenedMs = 0;",
        "this.listenedMs = 1;",
        "listen() says when before anybody asks",
    ),
    (
        "web/static/phone/slider.js",
        "this.practisedS >= PRACTICE_S",
        "this.practisedS > PRACTICE_S",
        "at exactly half a minute nothing is left to be said",
    ),
    (
        "web/static/group/group.js",
        "let mayRenew = false;",
        "let mayRenew = true;",
        "the greeting says it before any state comes",
    ),
    (
        "web/static/group/card.js",
        "timeS >= this.outSinceS",
        "timeS > this.outSinceS",
        "at the same moment the same moment is kept",
    ),
    (
        "web/static/shared/gauge.js",
        "x < box.right + tall; x += gap",
        "x <= box.right + tall; x += gap",
        "the last line of a hatch lies outside what it fills",
    ),
    (
        "web/static/bring/trace.js",
        "const y = (value) => top + height - 6 -",
        "const y = (value) => top + height - 7 -",
        "room in a lane: a test holds that the line stays below its name and above the next lane",
    ),
    (
        "web/static/shared/strip.js",
        "seen < 1 ? runs.map",
        "seen < 2 ? runs.map",
        "seen is 1 at most, and every place lies before 1",
    ),
    (
        "web/static/shared/gauge.js",
        "colors.ink2, heavy * 0.6, [heavy",
        "colors.ink2, heavy / 0.6, [heavy",
        "how thick the dashes of a form without a number are is taste: that they are dashes, in grey, a test holds",
    ),
    (
        "web/static/shared/gauge.js",
        "[heavy, heavy * 2]);",
        "[heavy, heavy / 2]);",
        "how far those dashes stand apart is taste as well",
    ),
    (
        "web/static/shared/strip.js",
        "ctx.strokeRect(left - 2,",
        "ctx.strokeRect(left - 3,",
        "how far an outline reaches beyond the ends of its band is taste",
    ),
    (
        "web/static/shared/strip.js",
        "ctx.rect(px - 13, 2, 26, 18)",
        "ctx.rect(px - 13, 3, 26, 18)",
        "a pixel of the box round a rating: that it stands round its moment a test holds",
    ),
    (
        "web/static/review/trace-picture.js",
        "ctx.fillRect(px - 14, 3, 28, 20)",
        "ctx.fillRect(px - 14, 4, 28, 20)",
        "a pixel of the plate under a rating: that the rating stands on it a test holds",
    ),
    (
        "signal/mains.py",
        "frequency_hz - order * fundamental_hz) <= HALF_WIDTH",
        "frequency_hz - order * fundamental_hz) < HALF_WIDTH",
        "a measured frequency is 1.6 bins from a bin's middle only by rounding, and either answer is right",
    ),
    (
        "session/actions.py",
        'read_number(message, "rating", 1, 1_000_000)',
        'read_number(message, "rating", 1, 1000001)',
        "the number has to be that of the last rating anyway",
    ),
    (
        "session/lessons.py",
        "self._measure(np.empty(0), grace_s)",
        "self._measure(np.empty(1), grace_s)",
        "what comes after a contraction is looked at in the lesson on and off alone",
    ),
    (
        "session/state.py",
        "activity.step != was_step:\n                self.revision += 1",
        "activity.step != was_step:\n                self.revision += 2",
        "a revision is only asked whether it is another one",
    ),
    (
        "analysis/sliding.py",
        "(paces.change_points or 0.0) < 0",
        "(paces.change_points or 0.0) <= 0",
        "a change of exactly nothing neither rose nor fell",
    ),
    (
        "analysis/trends.py",
        "TINY = 1e-12",
        "TINY = 1.3000000000000001e-12",
        "only rounding leaves so little: whatever is measured leaves far more",
    ),
    (
        "analysis/trial.py",
        "** len(blocks) <= N_ENUMERATED_MAX",
        "** len(blocks) < N_ENUMERATED_MAX",
        "of exactly as many schedules all of them or as many draws: either answer is right",
    ),
    (
        "acquisition/clock.py",
        "arrival_s, rate_hz) or 0.0",
        "arrival_s, rate_hz) or 1.0",
        "not known is no lack either way: less than none is none",
    ),
    (
        "acquisition/udp_source.py",
        "self._take(*self._socket.recvfrom(MOST_BYTES), parts)\n            self._socket.settimeout(0.0)",
        "pass\n            self._socket.settimeout(0.0)",
        "what comes is then read in the next batch, 17 ms later at most: only the wait for it is shorter",
    ),
    (
        "report/answer_figures.py",
        "MaxNLocator(7, integer=True)",
        "MaxNLocator(8, integer=True)",
        "how many ticks at most: taste",
    ),
    (
        "report/figure_files.py",
        'make("dose", draw_dose, (4.3, 3.0))',
        'make("dose", draw_dose, (5.59, 3.0))',
        "how wide a picture is: taste",
    ),
    ("storage/carve.py", "if budget.n_left < 0:", "if budget.n_left < 1:", "a byte of many million"),
    (
        "storage/carve.py",
        "if 512 <= n_bytes <= 65536 and",
        "if 512 <= n_bytes <= 65537 and",
        "the next power of two is 131072",
    ),
    (
        "storage/database.py",
        "LEAST_LENGTH = 1_000_000",
        "LEAST_LENGTH = 1000001",
        "a byte of a million, which is a guess",
    ),
    (
        "web/connection_limits.py",
        "MAX_KNOWN, MAX_PER_KNOWN = 96, 48",
        "MAX_KNOWN, MAX_PER_KNOWN = 97, 48",
        "one connection more than the pages need",
    ),
    (
        "web/qr.py",
        "for shift in range(4, -1, -1):",
        "for shift in range(5, -1, -1):",
        "a word of five bits has no sixth",
    ),
    (
        "wiring/next_effort.py",
        "high_percent=20.0, top_percent=20.0)",
        "high_percent=20.0, top_percent=26.0)",
        "what it chooses is thrown away: it loads what the first real choice needs",
    ),
    (
        "analysis/ratings.py",
        "if p > 1 - LARGER_P:",
        "if p >= 1 - LARGER_P:",
        "no measured scatter lies exactly on the bound, and either answer is right there",
    ),
    (
        "report/answer_figures.py",
        "row.rating is not None and row.rating.value is not None]\n        axis.plot(places",
        "row.rating is not None or row.rating.value is not None]\n        axis.plot(places",
        "the rows were chosen by the same condition already: it stands there again for the types",
    ),
    (
        "report/history.py",
        'color=PALETTE["soft"], linewidth=1.0)',
        'color=PALETTE["soft"], linewidth=1.3)',
        "how thick the line between the sessions is: taste",
    ),
    (
        "report/history.py",
        'color=PALETTE["line"], linewidth=0.6)',
        'color=PALETTE["line"], linewidth=0.78)',
        "how thick the lines of a grid are: taste",
    ),
)
