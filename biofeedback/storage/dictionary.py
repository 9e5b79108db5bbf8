"""The data dictionary: every column of every table that leaves the program, its type, its unit and what it means.

A test holds it against the tables themselves, so no column is without its line and no line without its column.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

from biofeedback.model import Flag

ColumnType: TypeAlias = Literal["text", "whole", "number"]


@dataclass(frozen=True, slots=True)
class ColumnMeaning:
    """``name`` as it stands in the table; ``unit`` "" where there is none."""

    name: str
    type: ColumnType
    unit: str
    meaning: str


FLAGS = ", ".join(f"{int(flag)} {flag.name.lower()}" for flag in Flag if flag and flag.name)


def _read(text: str) -> tuple[ColumnMeaning, ...]:
    types: dict[str, ColumnType] = {"t": "text", "w": "whole", "n": "number"}
    rows = (line.split("|") for line in text.strip().splitlines())
    return tuple(
        ColumnMeaning(name, types[kind], unit, meaning.replace("FLAGS", FLAGS)) for name, kind, unit, meaning in rows
    )


COHORT = _read("""
file|t||the recording, relative to the folder
stamp|t||size, time of change and program version: the row is computed again when one of them changes
error|t||why the recording could not be analysed; empty: it could
started_utc|t||when the recording began, ISO 8601
athlete|t||code of the athlete; kept as text, 007 stays 007
exercise|t||the stretch
side|t||left, right or both
position|t||the position, in the person's words
joint|t||the joint that the exercise trains
simulated|w||1: a simulated athlete, nothing about a person
software|t||version that recorded or imported
before|t||what was done before and may ease discomfort by itself: warmth, massage, warm-up, contractions
plans|t||names of the plans carried out
duration_s|n|s|length, gaps included
missing_s|n|s|time in gaps of the whole recording
n_gaps|w||gaps of the whole recording
n_stops|w||emergency stops
n_doubts|w||what spoke against the maximum
maximum|n|maximum_unit|100 % of the guiding channel, above its baseline
maximum_unit|t||unit of the maximum and of passive tension
maximum_method|t||attempts, typed, carried from another recording, or revised
n_contract|w||contracting phases
n_passive|w||passive phases
band_low_percent|n|% of maximum|lower edge of the band, where all contractions had the same
band_high_percent|n|% of maximum|upper edge of the band, likewise
effort_mean_percent|n|% of maximum|mean effort of contracting phases, weighted by counted time
effort_sd_percent|n|% of maximum|standard deviation of effort within contractions, weighted
effort_cv_percent|n|%|standard deviation over mean, weighted
steadiness_cv_percent|n|%|the same without slow trends, weighted
effort_highest_percent|n|% of maximum|highest effort in a contraction; may exceed 100
in_band_percent|n|%|counted time with effort inside the band, weighted
rms_outside_percent|n|% of maximum|root mean square distance outside the band, weighted
longest_stay_s|n|s|longest unbroken stay inside the band
n_excursions|w||times the effort left the band for longer than tremor does
time_to_band_s|n|s|mean time from the start of a contraction into the band
passive_effort_mean_percent|n|% of maximum|mean effort while asked to relax
bad_signal_percent|n|%|mean share of contracting time with a flagged signal
n_ratings|w||discomfort ratings with an answer
n_no_answer|w||ratings asked for and not answered
n_marked|w||ratings that something speaks against
discomfort_start|n|points, 0-10|first rating of a passive phase
discomfort_passive_mean|n|points, 0-10|mean of the passive phases
discomfort_contract_mean|n|points, 0-10|mean of the contracting phases
n_contrasts|w||contractions that could be compared with their passive neighbours
change_mean|n|points|mean neighbour-corrected change while contracting; negative: less discomfort
change_low|n|points|lower end of its 95 % interval
change_high|n|points|upper end of its 95 % interval
change_error|n|points|its standard error
change_percent|n|%|the change relative to the passive level
change_mean_without_marked|n|points|the same without marked ratings
nap|n||share of passive-contracting pairs in which contracting was better (non-overlap of all pairs)
nap_error|n||its standard error
tau|n||rank correlation between asking for contraction and discomfort
tau_u|n||the same, corrected for the trend over time
drift_per_min|n|points/min|trend of the passive ratings
came_back|n|points|mean step of the ratings out of contractions, from during to after; positive: discomfort came back
answer|t||less, more, no clear difference, not decided as it may come late, or too few ratings to say
advice|t||what to train with next
effort_slope_percent_per_min|n|% of maximum/min|median trend of effort within contractions
n_left_band|w||contractions that left the band for good before their end
left_band_after_s|n|s|the earliest of those
median_frequency_hz|n|Hz|median of the EMG's median frequency at the start of contractions
median_frequency_slope_percent_per_s|n|%/s|median of its trend within contractions
tired_percent|n|%|most that fatigue is estimated to have taken from the maximum
passive_tension_first|n|maximum_unit|the position's own tension at the first rating
passive_tension_last|n|maximum_unit|and at the last
""")

RATINGS = _read("""
number|w||number of the rating, from 1
time_s|n|s|when it was given, from the first frame
value|n|points, 0-10|discomfort as corrected; empty: no answer
originals|t||what was said before it was corrected, oldest first
by|t||who said it
phase_index|w||phase that it is about, from 0
kind|t||passive, contract or rest
cycle|w||cycle of the plan
band_low_percent|n|% of maximum|lower edge of that phase's band
band_high_percent|n|% of maximum|upper edge
mean_percent|n|% of maximum|mean effort from the phase's start to the rating, grace left out
in_band_percent|n|%|share of that time inside the band
passive_tension|n|tension_unit|mean baseline above zero
tension_unit|t||unit of the guiding channel
in_phase_s|n|s|time since the phase began
in_stretch_s|n|s|time since the first phase after the last rest
position_drift|n|position_unit|position before the rating minus that at the start of the stretch
position_unit|t||unit of the position channel
bad_percent|n|%|share of that time with a flagged signal
marks|t||what speaks against using the rating
""")

EVENTS = _read("""
onset_s|n|s|from the first frame
duration_s|n|s|empty for a moment
text|t||the event in words, as convert reads them back
kind|t||phase, rating, correction, stop, zero, maximum, gap or note
phase|w||number of the phase it is in or about, from 1
phase_kind|t||kind of that phase
rating_phase|w||number of the phase that the rating is about
discomfort|n|points, 0-10|the rating, as corrected later
corrected_from|n|points, 0-10|what was said first
""")

LEVELS = _read("""
time_s|n|s|middle of the level's block, from the first frame
NAME [UNIT]|n|UNIT|level of each channel (EMG: RMS), empty where missing
NAME [%]|n|% of maximum|effort as it was shown; of a position channel its distance from zero in its unit
NAME baseline|n|UNIT|what was subtracted
NAME flags|w||0 good, else a sum of FLAGS
phase|w||number of the phase, from 1; empty outside
phase_kind|t||its kind
rating_phase|w||phase that the rating on this row is about
discomfort|n|points, 0-10|the rating given here, as corrected; empty elsewhere
""")

FRAMES = _read("""
time_s|n|s|from the first frame
NAME [UNIT]|n|UNIT|reading of each channel, empty where missing
""")

ARRAYS = _read("""
time_s|n|s|of each frame, from the first
values|n|units|readings, one column per channel, not a number where missing
counts|n||the same as the sensor counted them
names|t||of the channels
units|t||of the channels
rate_hz|n|Hz|frames a second
rating_time_s|n|s|of each rating
ratings|n|points, 0-10|as corrected; not a number: no answer
rating_phase|w||number of the phase that each is about; 0: none
rating_corrected_from|n|points, 0-10|what was said first; not a number: not corrected
phase_kind|t||of each phase, phase 1 first
phase_from_s|n|s|beginning of each phase
phase_to_s|n|s|its end
about|t||settings, events, gaps and notes as one JSON text
""")

PHASES = _read("""
file|t||the recording, relative to the folder
number|w||phase of the recording, from 1
kind|t||passive, contract, remote or rest
title|t||its name in the plan
band_low_percent|n|% of maximum|lower edge of the band; empty: none
band_high_percent|n|% of maximum|upper edge of the band
start_s|n|s|from the first frame
end_s|n|s|from the first frame
mean_percent|n|% of maximum|mean effort in it
in_band_percent|n|%|share of its counted time inside the band
discomfort|n|points, 0-10|the rating that belongs to it, as corrected
""")

TABLES = {
    "cohort": COHORT,
    "report --ratings": RATINGS,
    "NAME.csv": FRAMES,
    "NAME_events.csv": EVENTS,
    "NAME.npz": ARRAYS,
    "export --to levels": LEVELS,
    "open_folder(...).phases": PHASES,
}


def list_units(columns: Sequence[ColumnMeaning]) -> dict[str, str]:
    """The unit of each column that has one."""
    return {column.name: column.unit for column in columns if column.unit}


def explain_tables() -> list[str]:
    """All tables as lines of text."""
    lines: list[str] = []
    for table, columns in TABLES.items():
        lines += ["", table, "-" * len(table), *_explain(columns)]
    return lines[1:]


def _explain(columns: Sequence[ColumnMeaning]) -> list[str]:
    width = max(len(column.name) for column in columns)
    return [
        f"{column.name.ljust(width)}  {column.type:<6}  {column.meaning}{f' [{column.unit}]' if column.unit else ''}"
        for column in columns
    ]
