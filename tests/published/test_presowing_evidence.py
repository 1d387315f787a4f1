"""What soaking and sprouting bring, against published results.

Rows: reference_data/presowing_evidence.csv (most read as abstracts). Each row is judged by handling
figures fitted without its source; how wide the priors are, and the crop's response to temperature,
are those of the catalogue. Run with ``-s`` for the table. A printed difference is one between
plots, so the error of a trial of four replicates (common practice) is added by the crop's own
spread between plots.

Crops that the catalogue lacks are asked as their nearest relative; physic nut, an oil tree without
one, is in the fit and in the table and counts in no figure. Nor do sources that an assumption or a
limit of a soak was read from (``assumptions.csv``, ``crops.csv``): those stay in the model when the
source is left out of the fit, so that its rows would judge themselves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from tests.published.presowing_cases import Case, earlier_cases, left_out_cases
from thermosprout.files import reference_rows

NO_RELATIVE = "physic nut"

SEEN_OTHERWISE = {row["source_id"] for row in reference_rows("assumptions.csv")} | {
    row[column]
    for row in reference_rows("crops.csv")
    for column in ("soak_source_id", "chilling_source_id")
}
"""Sources that stand behind an assumption or a limit of the model."""

MISSED_BARS: dict[str, str] = {}
"""A bar that is not reached, with its figure and date."""


def counted(cases: Sequence[Case]) -> list[Case]:
    return [
        case
        for case in cases
        if case.published.crop != NO_RELATIVE and case.published.source not in SEEN_OTHERWISE
    ]


def sized(cases: Sequence[Case]) -> list[Case]:
    return [case for case in counted(cases) if case.published.sized]


def nil(cases: Sequence[Case]) -> list[Case]:
    return [case for case in counted(cases) if case.nil]


def figures(cases: Sequence[Case]) -> dict[str, float]:
    gains = [case for case in sized(cases) if case.published.measure == "days"]
    directions = [c for c in counted(cases) if c.published.kind == "direction"]
    return {
        "sign": float(np.mean([case.sign_right for case in sized(cases)])),
        "inside": float(np.mean([case.inside for case in sized(cases)])),
        "nil": float(np.mean([case.sign_right for case in nil(cases)])),
        "direction": float(np.mean([case.sign_right for case in directions])),
        "gain": float(np.median([case.good_gain for case in gains])),
    }


@pytest.fixture(scope="module")
def cases() -> tuple[Case, ...]:
    ours = left_out_cases()
    print(
        f"\n{'crop':14s} {'source':18s} {'measure':8s} {'kind':13s} {'printed':>14s}  ours (80 %)"
    )
    for case, before in zip(ours, earlier_cases(), strict=True):
        one = case.published
        printed = "" if one.kind == "direction" else f"{case.low:.2f}..{case.high:.2f}"
        if one.kind == "direction":
            printed = "better" if one.low > 0 else "worse"
        marks = "" if case.sign_right else " SIGN"
        marks += " OUTSIDE" if one.sized and not case.inside else ""
        print(
            f"{one.crop[:14]:14s} {one.source[:18]:18s} {one.measure:8s} {one.kind:13s} "
            f"{printed:>14s}  {case.p50:6.2f} ({case.p10:6.2f}..{case.p90:6.2f})  "
            f"earlier {before.p50:6.2f} ({before.p10:6.2f}..{before.p90:6.2f}){marks}"
        )
    for name, judged in (("ours", ours), ("earlier", earlier_cases())):
        parts = ", ".join(f"{key} {value:.2f}" for key, value in figures(judged).items())
        print(f"{name}: {parts} ({len(sized(judged))} sized, {len(nil(judged))} no difference)")
    for bar, figure in MISSED_BARS.items():
        print(f"not reached: {bar}: {figure}")
    return ours


@pytest.mark.parametrize(
    ("bar", "low", "high"),
    [("sign", 0.85, 1.0), ("inside", 0.70, 0.92), ("nil", 0.80, 1.0), ("gain", 0.0, 1.0)],
)
def test_effects_of_sources_not_seen(
    cases: tuple[Case, ...], bar: str, low: float, high: float
) -> None:
    figure = figures(cases)[bar]
    if bar in MISSED_BARS:
        assert not low <= figure <= high, f"{bar} is reached: take it from the list"
    else:
        assert low <= figure <= high


def test_no_judged_source_stands_behind_an_assumption(cases: tuple[Case, ...]) -> None:
    """Losses and limits of soaks were read from these (``assumptions.csv``, ``crops.csv``)."""
    judges = {case.published.source for case in counted(cases)}
    for source in ("yamamoto1957", "perry1970", "mechara2023", "snapp2008", "ghassemi_chickpea",
                   "chivasa", "orphanos1968"):  # fmt: skip
        assert any(case.published.source == source for case in cases)
        assert source not in judges
    assert len(counted(cases)) >= 80


def test_directions_are_told_better_than_by_chance(cases: tuple[Case, ...]) -> None:
    assert figures(cases)["direction"] >= 0.75


def test_the_earlier_model_did_worse(cases: tuple[Case, ...]) -> None:
    ours, before = figures(cases), figures(earlier_cases())
    for bar in ("sign", "inside", "nil"):
        assert ours[bar] > before[bar]
