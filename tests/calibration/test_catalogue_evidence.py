"""What is gathered from the published tables: invented tables whose evidence is written by hand."""

from __future__ import annotations

import numpy as np
import pytest

from reference_data.build import published_evidence
from reference_data.build.published_evidence import Bound, Evidence, HeatSum
from thermosprout.calibration import crop_curve as published
from thermosprout.calibration.crop_curve import DayCell


def crop(name: str, known_as: str, depth: str = "", season: str = "cool") -> dict[str, str]:
    return {"crop": name, "season": season, "evidence_names": known_as, "sum_depth_cm": depth}


def day(name: str, temp: str, days: str, decimal: str = "", normal: str = "", status: str = "value",
        verified: str = "page") -> dict[str, str]:  # fmt: skip
    return {"crop": name, "temp_C": temp, "days": days, "days_decimal": decimal,
            "normal_seedlings_pct": normal, "status": status, "verified": verified}  # fmt: skip


def other(name: str, low_C: str, high_C: str, low: str, high: str, source: str = "z",
          status: str = "value") -> dict[str, str]:  # fmt: skip
    return {"crop": name, "temp_low_C": low_C, "temp_high_C": high_C, "days_low": low,
            "days_high": high, "source_id": source, "status": status,
            "verified": "memory"}  # fmt: skip


def base(name: str, low: str, high: str, total: str, stage: str, source: str,
         verified: str = "page") -> dict[str, str]:  # fmt: skip
    return {"crop": name, "t_base_C": low, "t_base_high_C": high, "thermal_sum_Cd": total,
            "stage": stage, "source_id": source, "verified": verified}  # fmt: skip


def cardinal(name: str, low: str, opt: str, high: str, best: str, source: str = "y"):
    return {"crop": name, "t_min_C": low, "t_opt_C": opt, "t_max_C": high, "t_opt_high_C": best,
            "source_id": source}  # fmt: skip


TABLES = {
    "crops.csv": [crop("kale", "kale;borecole", "2.5"), crop("okra", "okra", season="warm"),
                  crop("cowpea", "cowpea"), crop("none", "none")],
    "emergence_days.csv": [
        day("kale", "0", "", normal="0", status="no_germination"),
        day("kale", "5", "", normal="", status="no_germination"),
        day("borecole", "5", "20", "19.6", normal="40"),
        day("kale", "10", "9", normal="90"),
        day("kale", "20", "4", "4.2", normal="96", verified="memory"),
        day("kale", "30", "", normal="49", status="no_germination"),
        day("kale", "35", "", normal="50", status="no_germination"),
        day("kale", "40", "", normal="", status="no_germination"),
        day("kale", "45", "", normal="", status="not_tested"),
        day("okra", "20", "", normal="", status="no_germination"),
        day("okra", "19", "", normal="", status="no_germination"),
        day("okra", "21", "", normal="", status="no_germination"),
    ],
    "emergence_days_other.csv": [
        other("kale", "12", "12", "7", "8"),
        other("kale", "12", "12", "7", ""),
        other("kale", "12", "12", "7", "8", status="range"),
        other("kale", "12", "12", "7", "8", source="leviatov1994"),
        other("okra", "18", "24", "6", "10"),
        other("okra", "15", "15", "9", "11", source="a"),
        other("cowpea", "10", "10", "6", "10"),
    ],
    "base_temperatures.csv": [
        base("kale", "", "", "90", "emergence", "a"),
        base("kale", "1", "", "103", "emergence", "a", "memory"),
        base("kale", "", "3", "", "germination", "b"),
        base("borecole", "0", "4", "", "growth", "c"),
        base("kale", "2", "2", "80", "emergence", "russelle1980"),
        base("okra", "12", "14", "70", "germination", "d", "memory"),
        base("okra", "11", "", "", "model setting", "e"),
    ],
    "cardinal_temperatures.csv": [
        cardinal("kale", "4", "25", "35", "30"),
        cardinal("kale", "5", "", "32", ""),
        cardinal("kale", "1", "20", "30", "28", source="intech2013"),
        cardinal("okra", "", "30", "", ""),
    ],
}  # fmt: skip


@pytest.fixture
def found(monkeypatch: pytest.MonkeyPatch) -> dict[str, Evidence]:
    for module in (published, published_evidence):
        monkeypatch.setattr(module, "reference_rows", TABLES.__getitem__)
    return published_evidence.gather()


def cell(temperature: float, low: float, high: float, decimal: float, **more: object) -> DayCell:
    usual = {"sd": 0.03, "source": "harrington1954", "verified": "page", "band": False} | more
    return DayCell(temperature=temperature, low=low, high=high, decimal=decimal, **usual)  # type: ignore[arg-type]


def test_timed_cells_are_whole_days_and_bands_as_printed(found: dict[str, Evidence]) -> None:
    nan = float("nan")
    away = {"sd": 0.15, "source": "z", "verified": "memory"}
    expected = {
        "kale": (cell(5.0, 19.5, 20.5, 19.6), cell(10.0, 8.5, 9.5, nan),
                 cell(20.0, 3.5, 4.5, 4.2, verified="memory"), cell(12.0, 6.5, 8.5, nan, **away)),
        "okra": (cell(21.0, 6.0, 10.0, nan, band=True, **away),
                 cell(15.0, 8.5, 11.5, nan, **(away | {"source": "a"}))),
        "cowpea": (),
        "none": (),
    }  # fmt: skip
    assert list(found) == list(expected)
    for name, cells in expected.items():
        assert repr(found[name].cells) == repr(cells)
    assert [one.has_day_table for one in found.values()] == [True, False, False, False]
    assert [one.crop for one in found.values()] == list(found)
    assert [one.season for one in found.values()] == ["cool", "warm", "cool", "cool"]
    assert [one.sum_depth_cm for one in found.values()] == [2.5, None, None, None]
    assert found["okra"].traits == TABLES["crops.csv"][1]


def test_a_day_table_takes_three_temperatures_that_are_no_bands() -> None:
    single, band = cell(5.0, 1.0, 2.0, 1.5), cell(5.0, 1.0, 2.0, 1.5, band=True)
    for cells, enough in (((single,) * 3, True), ((single,) * 2 + (band,) * 3, False)):
        item = HeatSum(base=1.0, total=2.0, stage="", source="", verified="")
        one = Evidence(crop="x", season="cool", cells=cells, sums=(item,))
        assert one.has_day_table is enough
        assert one.fitted_sums == (() if enough else one.sums)


def test_bases_have_their_stages_error_and_half_range(
    found: dict[str, Evidence],
) -> None:
    """A printed range counts as four sd wide; a figure from memory has half a degree more."""
    told = [(b.value, b.low, b.high, b.stage, b.source, b.verified) for b in found["kale"].bases]
    assert told == [
        (1.0, 1.0, 1.0, "emergence", "a", "memory"), (3.0, 3.0, 3.0, "germination", "b", "page"),
        (2.0, 0.0, 4.0, "growth", "c", "page"),
        (2.0, 2.0, 2.0, "emergence", "russelle1980", "page"),
    ]  # fmt: skip
    assert [b.sd for b in found["kale"].bases] == pytest.approx([1.7, 1.8, np.sqrt(10.0), 1.2])
    assert [b.value for b in found["okra"].bases] == [13.0, 11.0]
    assert [b.sd for b in found["okra"].bases] == pytest.approx([np.hypot(2.3, 0.5), 3.0])
    assert found["none"].bases == ()


def test_sums_need_a_base_and_no_deep_furrow(found: dict[str, Evidence]) -> None:
    assert found["kale"].sums == (
        HeatSum(base=1.0, total=103.0, stage="emergence", source="a", verified="memory"),
    )
    assert found["okra"].sums == (
        HeatSum(base=12.0, total=70.0, stage="germination", source="d", verified="memory"),
    )


def test_cells_without_seedlings_bound_base_and_ceiling(found: dict[str, Evidence]) -> None:
    """Only below the coldest and above the warmest cell that was timed, 20 °C where none was."""
    assert found["kale"].base_bounds == (
        Bound(value=3.0, sd=1.0, above=False), Bound(value=-1.0, sd=0.7, above=True),
    )  # fmt: skip
    assert found["kale"].ceiling_bounds == (
        Bound(value=33.0, sd=1.5, above=True), Bound(value=31.0, sd=1.5, above=False),
        Bound(value=41.0, sd=1.5, above=False),
    )  # fmt: skip
    assert found["okra"].base_bounds == (Bound(value=18.0, sd=0.7, above=True),)
    assert found["okra"].ceiling_bounds == (Bound(value=22.0, sd=1.5, above=False),)
    assert found["none"].base_bounds == found["none"].ceiling_bounds == ()


def test_charts_and_shares_of_normal_seedlings(found: dict[str, Evidence]) -> None:
    kale, okra = found["kale"], found["okra"]
    assert (kale.minima, kale.maxima, kale.best_highs) == ((4.0, 5.0), (35.0, 32.0), (30.0,))
    assert kale.optima == ((25.0, 5.0, "y"),)
    assert kale.stand == (
        (0.0, 0.0), (5.0, 0.4), (10.0, 0.9), (20.0, 0.96), (30.0, 0.49), (35.0, 0.5),
    )  # fmt: skip
    assert (okra.minima, okra.maxima, okra.best_highs, okra.stand) == ((), (), (), ())
    assert okra.optima == ((30.0, 5.0, "y"),)
