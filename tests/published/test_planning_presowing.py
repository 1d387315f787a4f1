"""Published results of soaking and sprouting beside what ``compare`` gives for the same case.

Source of each row: reference_data/presowing.csv (abstracts read on the page named there). Nothing
in the model was fitted to these rows. Run with ``-s`` to see the table.

What is compared: the difference in half emergence [d] and in final emergence [points of the seeds
planted] between the treated and the dry row. ``compare`` pairs its options on one bed; a published
figure is a difference between plots, so the error of a trial of four replicates (common practice)
is added, by the catalogue's own plot-to-plot spread. "No effect" is read as less than half a day
or five points, which trials of this size cannot see (assumption). A figure given as "up to" is
met where the interval reaches the part between nothing and that figure.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass

import numpy as np
import pytest

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.seed_lots import SeedLot, viability_draws
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.planning.compare import compare
from thermosprout.planning.options import PLANTING_RADICLE_MM, Harvest, Option
from thermosprout.reference import reference_file
from thermosprout.season.setting import Setting

REPLICATES = 4
SEEN_D, SEEN_POINTS = 0.5, 5.0

# Temperature of the bed in each row of the table, written down before the answers were looked at:
# as printed where it is, the middle of a range, 8 C for "cold" and for the first sowings from
# 17 February on in England, 10 C for a spring field, 20 C for a glasshouse or where none is named.
BED_C = (30.0, 35.0, 40.0, 35.0, 12.5, 8.0, 10.0, 10.0, 20.0, 10.0, 8.0, None, 20.0, 20.0)

MISSES = {
    "maize 30 C, days": "17 h under water carry the seed past imbibition; the model stops its "
    "credit there, so long soaks gain more than it says",
    "maize 40 C, days": "soaking lowers the optimum and ceiling of maize (the source says so); "
    "the model keeps the crop's temperature response after a soak",
    "maize 35 C drying sand, days": "in drying sand the soaked seed was ahead of the drying; the "
    "plan takes the seedbed as kept moist",
    "celery priming, days": "two weeks in an osmotic solution take seed to the brink of "
    "germination; the nearest way compared is a plain soak, which stops at imbibition",
    "onion priming, days": "as for celery: an osmotic priming is not a soak",
    "carrot from February, days": "germinating seed was drilled unselected, part of it not yet "
    "sprouted; the plan plants sprouted seed only and so promises more",
}


@dataclass(frozen=True)
class Case:
    name: str
    measure: str
    low: float
    high: float
    at_most: bool
    p10: float
    p50: float
    p90: float

    @property
    def key(self) -> str:
        return f"{self.name}, {self.measure}"

    @property
    def seen(self) -> float:
        return SEEN_D if self.measure == "days" else SEEN_POINTS

    @property
    def no_effect(self) -> bool:
        return self.low == self.high == 0.0

    @property
    def sign_right(self) -> bool:
        if self.no_effect:
            return self.inside
        return np.sign(self.p50) == np.sign(self.low + self.high)

    @property
    def inside(self) -> bool:
        low, high = min(self.low, self.high), max(self.low, self.high)
        if self.no_effect:
            low, high = -self.seen, self.seen
        if self.at_most:
            low, high = min(low, 0.0), max(high, 0.0)
        return bool(self.p10 <= high and self.p90 >= low)


NAMES = (
    "maize 30 C", "maize 35 C", "maize 40 C", "maize 35 C drying sand", "sweet corn moistened",
    "sugar beet cold", "carrot sprouted", "carrot priming", "celery priming", "onion priming",
    "carrot from February", "carrot under mulch", "lettuce sprouted", "snap bean 72 h",
)  # fmt: skip


@pytest.fixture(scope="module")
def cases() -> list[Case]:
    text = reference_file("presowing.csv").read_text(encoding="utf-8")
    found: list[Case] = []
    for name, bed, row in zip(NAMES, BED_C, csv.DictReader(text.splitlines()), strict=True):
        found.extend(_judged(name, bed, row))
    _print(found)
    return found


def _judged(name: str, bed: float | None, row: dict[str, str]) -> list[Case]:
    crop = find_crop(row["crop"])
    rng = np.random.default_rng(1)
    viability = viability_draws(SeedLot(id="usual", crop=crop.name), crop, 1000, rng)
    if bed is None:
        # Dry seed took 52 days: the bed is as cold as that says.
        cold = np.arange(3.5, 14.0, 0.25)
        days = [
            np.nanmedian(Setting.constant(crop, t).forecast(Handling(), 0.0).hours[:, 1]) / 24
            for t in cold
        ]
        bed = float(cold[np.argmin(np.abs(np.array(days) - 52))])
    setting = Setting.constant(crop, bed, viability=viability)
    if row["kind"] == "sprouted":
        handling = Handling(treatment=Treatment.PRESPROUTED, radicle_mm=PLANTING_RADICLE_MM)
    else:
        # Priming and moistening are answered by the soak that the crop bears.
        hours = float(row["hours"]) if row["kind"] == "soak" else crop.safe_soak_h
        handling = Handling(treatment=Treatment.SOAKED, soak_h=hours)
    options = (
        Option(name="direct", handling=Handling(), minutes=0),
        Option(name="treated", handling=handling, minutes=0),
    )
    harvest = Harvest.constant(crop, bed, size=setting.size)
    dry, treated = (one for one in compare(setting, options, harvest=harvest, free_h=0.0).outcomes)
    values = setting.draws.values
    error = np.sqrt(2.0 / REPLICATES) * rng.standard_normal((2, setting.size))
    with np.errstate(invalid="ignore"):
        shift = (treated.half_h - dry.half_h) / 24.0
    shift = shift + error[0] * values["plot_speed_sd"] * dry.half_h / 24.0
    share = dry.row.share
    spread = np.sqrt(share * (1 - share) * values["plot_stand_rho"])
    points = 100 * (treated.row.share - share + error[1] * spread)
    found = []
    for measure, draws, low, high in (
        ("days", shift, row["days_low"], row["days_high"]),
        ("points", points, row["points"], row["points"]),
    ):
        if low:
            p10, p50, p90 = np.nanquantile(draws, [0.1, 0.5, 0.9])
            at_most = row["size_is"] == "at most"
            found.append(Case(name, measure, float(low), float(high), at_most, p10, p50, p90))
    return found


def _print(cases: list[Case]) -> None:
    print(f"\n{'case':38s} {'published':>14s} {'ours (80 %)':>24s}  sign inside")
    for case in cases:
        size = f"{case.low:g}" if case.low == case.high else f"{case.low:g}..{case.high:g}"
        size = f"up to {size}" if case.at_most else size
        ours = f"{case.p50:.2f} ({case.p10:.2f}..{case.p90:.2f})"
        marks = ["yes" if mark else "NO" for mark in (case.sign_right, case.inside)]
        print(f"{case.key:38s} {size:>14s} {ours:>24s}  {marks[0]:4s} {marks[1]}")
        if not (case.sign_right and case.inside):
            print(f"{'':40s}{MISSES.get(case.key, '?')}")
    signs = np.mean([case.sign_right for case in cases])
    inside = np.mean([case.inside for case in cases])
    print(f"sign right {signs:.0%}, inside the 80 % interval {inside:.0%} of {len(cases)}")


def test_sign_of_the_effect_is_right_in_most_rows(cases: list[Case]) -> None:
    assert np.mean([case.sign_right for case in cases]) >= 0.8


@pytest.mark.xfail(
    reason="reaches 10 of 16 (8 of 12 without osmotic priming, which is not offered), asked 70 %: "
    "the model gives a soak credit up to imbibition only; see MISSES"
)
def test_size_of_the_effect_lies_in_the_interval(cases: list[Case]) -> None:
    assert np.mean([case.inside for case in cases]) >= 0.7


def test_every_miss_is_explained_and_no_hit_is(cases: list[Case]) -> None:
    missed = {case.key for case in cases if not (case.sign_right and case.inside)}
    assert missed == set(MISSES)
