"""What a saved estimate says of the records behind it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from thermosprout.calibration.plots import Plot, digest_of
from thermosprout.calibration.result import origin_of

HOURS = np.datetime64("2026-04-10T06", "h").astype(int)


def test_provenance_counts_plots_seeds_and_looks() -> None:
    one = Plot(
        name="a", planted_h=float(HOURS), depth_cm=2.0, seeds=40,
        hours=HOURS + 24.0 * np.array([5.0, 7.0, 9.0]), new=np.array([3.0, 8.0, 4.0]),
    )  # fmt: skip
    two = replace(one, name="b", planted_h=HOURS + 24.0, seeds=30,
                  hours=HOURS + 24.0 * np.array([4.0, 12.0]), new=np.array([3.0, 8.0]))  # fmt: skip
    noted = replace(
        one, name="n", seeds=0, planted_h=HOURS - 48.0, hours=np.zeros(0), new=np.zeros(0),
        noted_h=(HOURS + 100.0, HOURS + 124.0),
    )  # fmt: skip
    plots = [one, two, noted]
    found = origin_of(
        plots, [Path("x/t.csv"), Path("d.csv")], prior="catalogue", effective_draws=12.5
    )
    assert found.files == ("t.csv", "d.csv")
    assert (found.plots, found.seeds, found.inspections) == (3, 70, 3 + 2 + 1)
    assert (found.first_planted, found.last_inspected) == ("2026-04-08", "2026-04-22")
    assert (found.prior, found.effective_draws) == ("catalogue", 12.5)
    assert found.digest == digest_of(plots)
    assert found.digest != digest_of([one, replace(two, seeds=31), noted])


def test_seeds_started_are_part_of_what_a_fit_was_told() -> None:
    plain = Plot(name="a", planted_h=float(HOURS), depth_cm=2.0, seeds=40,
                 hours=HOURS + np.array([120.0]), new=np.array([3.0]))  # fmt: skip
    told = [digest_of([replace(plain, seeds_started=count)]) for count in (None, 40, 44)]
    assert len(set(told)) == 3
