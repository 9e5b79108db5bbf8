"""A seed is the same athlete in every version: demonstrations and examples name seeds, and mean what they once showed.

The numbers were made by this very code. Where an athlete is to change, they are made anew, and so are the recordings
of the demonstration.
"""

from __future__ import annotations

import numpy as np
import pytest

from biofeedback.acquisition.athlete import Athlete, AthleteSimulator, make_channel
from biofeedback.acquisition.physiology import Body
from biofeedback.acquisition.waveforms import EmgNoise, Wobble, design_emg_kernel
from biofeedback.model import Cue

SCRIPT = [
    (Cue("relax"), 3.0),
    (Cue("contract", 70.0), 4.0),
    (Cue("contract", 30.0), 2.0),
    (Cue("relax"), 2.0),
    (Cue("maximum"), 3.0),
    (Cue("rate"), 3.0),
    (Cue("release"), 2.0),
]
OTHER = {
    "seed": 3,
    "joint": "shoulder",
    "clumsy_percent": 10.0,
    "learning_per_repeat": 0.5,
    "dose": "line",
    "rest_speed": 2.0,
    "fatigue_per_s": 0.03,
}


@pytest.mark.parametrize(
    ("athlete", "rows"),
    [
        (
            Athlete(),
            [
                (0, 0, 57.2351635, 1, 6.83371787, 0),
                (0.701392712, 0.039712087, 53.2361979, 1, 4.16716293, 0.730398355),
                (0.298631774, 0.0499126547, 51.6027909, 1, 4.2504975, 0.314320337),
                (3.9514929e-06, 0.0490534997, 50.1732767, 1, 4.79742292, 4.15532619e-06),
                (0.912572359, 0.0874148187, 48.3565097, 1, 3.77660504, 0.999985949),
                (0.872877274, 0.12710398, 46.8690667, 1, 3.62368165, 0.999978524),
                (1.26281208e-05, 0.125873831, 0, 0, 0, 1.44465653e-05),
            ],
        ),
        (
            Athlete(**OTHER),
            [
                (0, 0, 57.2351635, 1, 6.83371787, 0),
                (0.582364619, 0.0659657768, 53.2361979, 1, 4.81791832, 0.623493877),
                (0.177501661, 0.0790344778, 51.6027909, 1, 5.38439228, 0.192734317),
                (2.33391315e-06, 0.073588178, 50.1732767, 1, 5.97247454, 2.51930415e-06),
                (0.853004747, 0.146970989, 48.3565097, 1, 3.83490555, 0.999971555),
                (0.780450817, 0.219512693, 46.8690667, 1, 3.41603019, 0.999953247),
                (1.30815744e-05, 0.208636513, 0, 0, 0, 1.65304245e-05),
            ],
        ),
    ],
)
def test_the_body_after_each_cue(athlete: Athlete, rows: list[tuple[float, ...]]) -> None:
    body = Body(athlete)
    for (cue, seconds), row in zip(SCRIPT, rows, strict=True):
        body.follow(cue)
        for _ in range(round(seconds * 20)):
            body.step(0.05)
        now = body.state
        found = (now.activation, now.fatigued, now.passive_newton, now.position, now.discomfort, now.excitation)
        assert found == pytest.approx(row, rel=1e-6, abs=1e-9)


def test_the_sensors_after_each_cue() -> None:
    """Last counts, means and standard deviations of force, EMG, its envelope and position; what was said, and when."""
    channels = [make_channel(name, envelope=name.endswith("e")) for name in ("force", "emg", "emg_e", "position")]
    simulator = AthleteSimulator(Athlete(seed=2, position_drift_cm_per_min=2.0), channels, 1000.0)
    rows = [
        ((115454, 365, 36, 4008), (72878.195, 349.208, 19.423, 2484.79), (45523.812, 28.423, 17.037, 1564.016)),
        ((670625, 2197, 2298, 4023), (609031.143, 351.142, 1952.964, 4016.764), (173727.149, 2608.409, 774.05, 6.323)),
        ((342626, -2598, 999, 4029), (432882.47, 347.96, 1443.614, 4026.743), (137472.15, 1788.379, 577.688, 5.211)),
        ((100719, 357, 17, 4041), (170854.074, 350.252, 356.36, 4033.149), (100103.829, 683.138, 445.4, 5.222)),
        (
            (840576, -6137, 2694, 4050),
            (709809.935, 345.718, 2497.041, 4041.649),
            (262325.811, 3623.257, 1178.004, 5.692),
        ),
        ((801113, 3007, 3279, 4063), (814915.962, 353.066, 3131.124, 4051.7), (19848.42, 3941.806, 244.887, 5.787)),
        ((0, 384, 38, 4), (204461.907, 350.882, 942.831, 1967.498), (302641.743, 1751.023, 1330.58, 1433.102)),
    ]
    said = []
    for (cue, seconds), (last, means, deviations) in zip(SCRIPT, rows, strict=True):
        simulator.cue(cue)
        counts = simulator.produce(round(seconds * 1000))
        assert counts[-1] == pytest.approx(last, abs=1)
        assert counts.mean(axis=0) == pytest.approx(means, rel=1e-5)
        assert counts.std(axis=0) == pytest.approx(deviations, rel=1e-4)
        said.append((simulator.said, simulator.said_at_frame))
    assert said == [(None, None)] * 5 + [(3.5, 15890)] * 2
    truth = simulator.truth
    assert (truth.hop, len(truth.discomfort)) == (10, 1900)
    series = (truth.effort_percent, truth.fatigued, truth.passive_newton, truth.discomfort)
    assert [one.mean() for one in series] == pytest.approx([46.6995676, 0.0535221449, 45.7270772, 4.03744588], rel=1e-6)


def test_a_clipped_sensor_of_few_readings_a_second() -> None:
    simulator = AthleteSimulator(Athlete(seed=5), [make_channel("force", clip=100.0)], 80.0, hum_hz=0.0)
    for (cue, seconds), (last, mean) in zip(SCRIPT, [(122347, 86827.7875), (200000, 192320.36875)], strict=False):
        simulator.cue(cue)
        counts = simulator.produce(round(seconds * 80))
        assert counts[-1, 0] == pytest.approx(last, abs=1)
        assert counts.mean() == pytest.approx(mean, rel=1e-6)


def test_the_noises_that_signals_are_made_of() -> None:
    kernel = design_emg_kernel(1000.0, 1.0)[[10, 40, 60, 63, 64, 65, 100]]
    assert kernel == pytest.approx(
        [-3.293566e-4, -6.81098622e-3, -9.10985878e-2, 0.356967116, 0.811581869, 0.356530404, -2.5465306e-3], rel=1e-6
    )
    noise = EmgNoise(np.random.default_rng(1), 1000.0)
    assert noise.draw(5, 1.0) == pytest.approx([-1.07016076, -0.3076047, -0.10978367, 0.36867291, 0.32060229])
    assert noise.draw(5, 0.8) == pytest.approx([-0.42491629, 0.32839362, 0.91957674, 0.32981427, 0.12010595])
    wobble = Wobble(np.random.default_rng(1), 100.0, 10.0, 1.5)
    assert wobble.draw(5) == pytest.approx([0.08437020, 0.33081816, 0.51452639, 0.17498602, 0.02288371])
    assert wobble.draw(3) == pytest.approx([-0.01494809, -0.17498931, -0.11462899], abs=1e-8)
