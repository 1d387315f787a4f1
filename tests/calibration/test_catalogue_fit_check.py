"""Comparisons of the catalogue with print: each figure by hand, each row from the tables anew."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest

from reference_data.build import catalogue_check as check
from reference_data.build import catalogue_response as fitting
from reference_data.build.published_evidence import Evidence, gather
from tests.calibration.growers import plain_crop
from thermosprout.calibration import published
from thermosprout.calibration.published import DAY_TABLE
from thermosprout.crops.catalogue import catalogue
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.response import Shape
from thermosprout.files import reference_file

SHAPES = fitting.SHAPES
LINEAR = replace(
    plain_crop(
        estimate=Estimate.generic(
            "beetroot",
            {
                "t_base_C": (4.0, 0.5), "opt_gap_C": (20.0, 0.1), "ceiling_gap_C": (10.0, 0.1),
                "thermal_time_50_Cd": (120.0, 0.2),
            },
        )
    ),
    response="linear",
)  # fmt: skip


def rows_of(table: str) -> list[dict[str, str]]:
    with reference_file(table).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def linear_days(base: float, opt: float, top: float, theta: float, t: float) -> float:
    """A rate that rises as a line to the optimum and falls as a line to the ceiling."""
    rate = t - base if t <= opt else (opt - base) * (top - t) / (top - opt)
    return theta / rate if base < t < top else float("inf")


def table_row(**changed: object) -> check.TableCheck:
    usual: dict[str, object] = {
        "crop": "x", "temperature": 10.0, "days": 8.0, "decimal": 7.5, "predicted": 9.0,
        "left_out": False,
    }  # fmt: skip
    return check.TableCheck(**(usual | changed))  # type: ignore[arg-type]


def test_misses_are_logarithms_of_ratios_in_either_direction() -> None:
    assert table_row().miss == pytest.approx(np.log(9.0 / 7.5))
    assert table_row(predicted=6.0).miss == pytest.approx(np.log(7.5 / 6.0))
    assert table_row(decimal=float("nan")).miss == pytest.approx(np.log(9.0 / 8.0))
    assert table_row().miss_whole_days == pytest.approx(np.log(9.0 / 8.0))
    assert table_row(predicted=4.0).miss_whole_days == pytest.approx(np.log(2.0))
    assert [table_row(predicted=p).rounds_to_print for p in (6.9, 7.0, 9.0, 9.1)] == [
        False, True, True, False,
    ]  # fmt: skip
    pair = check.PairCheck(
        crop="x", source="s", temperature=10.0, published=8.0, predicted=10.0, kept_out=True
    )
    assert pair.ratio == 1.25


@pytest.mark.parametrize(
    ("fitted", "away", "middle"),
    [(1.0, 2.0, 4.5), (3.0, 0.0, 2.5), (4.0, 0.0, 1.5), (5.5, 0.5, 0.0), (6.8, 0.2, 1.3),
     (9.0, 2.0, 3.5)],
)  # fmt: skip
def test_a_base_is_as_far_away_as_the_nearest_print(
    fitted: float, away: float, middle: float
) -> None:
    """Printed 3 to 5 (middle 4) and 7: the median of both middles is 5.5."""
    row = check.BaseCheck(crop="x", fitted=fitted, printed=((3.0, 5.0), (7.0, 7.0)))
    assert row.away == pytest.approx(away)
    assert row.away_from_middle == pytest.approx(middle)


def test_days_to_half_of_the_middle_of_a_crop() -> None:
    at = [2.0, 4.0, 10.0, 24.0, 29.0, 34.0, 36.0]
    found = check.days_to_half(LINEAR, at)
    assert found.shape == (7,)
    assert found == pytest.approx([linear_days(4.0, 24.0, 34.0, 120.0, t) for t in at], rel=1e-6)
    assert check.days_to_half(LINEAR, 10.0) == pytest.approx([20.0])


def test_a_band_of_days_is_that_of_its_own_draws() -> None:
    probabilities = (0.1, 0.5, 0.9)
    at = [8.0, 18.0, 28.0]
    found = published.days_band(LINEAR, at, probabilities, np.random.default_rng(3), size=500)
    draws = LINEAR.estimate.draw(500, np.random.default_rng(3))
    base = draws["t_base_C"]
    opt = base + draws["opt_gap_C"]
    top = opt + draws["ceiling_gap_C"]
    assert found.shape == (3, 3)
    for column, t in enumerate(at):
        days = [
            linear_days(*four, t)
            for four in zip(base, opt, top, draws["thermal_time_50_Cd"], strict=True)
        ]
        expected = np.quantile(days, probabilities, method="nearest")
        assert found[:, column] == pytest.approx(expected, rel=1e-9)
    usual = published.days_band(LINEAR, at, probabilities, np.random.default_rng(3))
    thousand = published.days_band(LINEAR, at, probabilities, np.random.default_rng(3), size=1000)
    assert usual.tolist() == thousand.tolist()


def test_a_short_citation_ends_with_its_year(monkeypatch: pytest.MonkeyPatch) -> None:
    sources = [
        {"source_id": "a", "source": "Doe & Roe 1974, Journal 2012:1-3 (1990)"},
        {"source_id": "b", "source": "Extension leaflet; no year"},
        {"source_id": "c", "source": "Handbook (reprint)"},
        {"source_id": "d", "source": "Report 19741, part one"},
        {"source_id": "e", "source": "Poe et al. 2011"},
    ]
    monkeypatch.setattr(published, "reference_rows", {"sources.csv": sources}.__getitem__)
    assert published.short_citations() == {
        "a": "Doe & Roe 1974", "b": "Extension leaflet", "c": "Handbook ", "d": "Report 19741",
        "e": "Poe et al. 2011",
    }  # fmt: skip


def test_the_day_table_is_compared_cell_by_cell() -> None:
    expected = []
    names = {row["crop"]: set(row["evidence_names"].split(";")) for row in rows_of("crops.csv")}
    for name, known_as in names.items():
        cells = [
            row for row in rows_of("emergence_days.csv")
            if row["crop"] in known_as and row["status"] == "value"
        ]  # fmt: skip
        if len(cells) >= 6:
            expected += [
                (name, float(row["temp_C"]), float(row["days"]),
                 float(row["days_decimal"] or "nan"), False)
                for row in cells
            ]  # fmt: skip
    found = check.table_check(6)
    told = [(r.crop, r.temperature, r.days, r.decimal, r.left_out) for r in found]
    assert [repr(row) for row in told] == [repr(row) for row in expected]
    for row in found:
        known = float(check.days_to_half(catalogue()[row.crop], row.temperature)[0])
        assert row.predicted == pytest.approx(known, rel=1e-12)
    assert len(check.table_check()) == len(check.table_check(5)) > len(found)


def test_published_heat_sums_are_compared_above_their_base() -> None:
    evidence = gather()
    found = {
        (r.crop, r.source, r.temperature, round(r.published, 6)): r for r in check.pair_check()
    }
    expected = {}
    bases = rows_of("base_temperatures.csv")
    for crop in rows_of("crops.csv"):
        known_as = set(crop["evidence_names"].split(";"))
        cells = evidence[crop["crop"]].cells
        tabled = sum(not cell.band for cell in cells) >= 3
        for row in bases:
            wanted = row["source_id"] in ("bierhuizen1974", "angus1981")
            if row["crop"] not in known_as or not wanted:
                continue
            if not (row["thermal_sum_Cd"] and row["t_base_C"]):
                continue
            for t in (15.0, 20.0, 25.0):
                above = t - float(row["t_base_C"])
                if above > 0:
                    days = float(row["thermal_sum_Cd"]) / above
                    expected[crop["crop"], row["source_id"], t, round(days, 6)] = tabled
    assert {key: row.kept_out for key, row in found.items()} == expected
    for (name, _, t, _), row in found.items():
        days = float(check.days_to_half(catalogue()[name], t)[0])
        assert row.predicted == pytest.approx(days, rel=1e-12)
    base = {
        item.base for one in evidence.values() for item in one.sums
        if item.source in ("bierhuizen1974", "angus1981")
    }  # fmt: skip
    assert all(np.isfinite(r.published) for r in check.pair_check((max(base),)))


def test_only_read_bases_of_the_crop_are_compared() -> None:
    expected = {}
    bases = rows_of("base_temperatures.csv")
    for crop in rows_of("crops.csv"):
        known_as = set(crop["evidence_names"].split(";"))
        printed = []
        for row in bases:
            ends = [float(row[c]) for c in ("t_base_C", "t_base_high_C") if row[c]]
            read = row["verified"] == "page" and row["stage"] != "growth"
            if row["crop"] in known_as and ends and read:
                printed.append((ends[0], ends[-1]))
        if printed and crop["crop"] != "sweet corn":
            expected[crop["crop"]] = tuple(printed)
    found = check.base_check()
    assert {row.crop: row.printed for row in found} == expected
    for row in found:
        assert row.fitted == catalogue()[row.crop].estimate.centre()["t_base_C"]


def test_explanations_are_those_of_their_kind() -> None:
    for kind in ("pair", "base"):
        assert check.explanations(kind) == {
            row["crop"]: row["words"]
            for row in rows_of("disagreements.csv") if row["kind"] == kind
        } != {}  # fmt: skip


def test_a_summary_has_the_quantiles_of_both_misses() -> None:
    ratios = np.array([1.0, 1.1, 0.8, 1.5])
    rows = [table_row(days=10.0, decimal=10.4, predicted=10.0 * r) for r in ratios]
    finer = np.sort(np.abs(np.log(ratios / 1.04)))
    whole = np.sort(np.abs(np.log(ratios)))
    # Linear interpolation of order statistics: 0.9 of three gaps is 2.7.
    assert check.summary(rows) == pytest.approx({
        "cells": 4.0,
        "median": (finer[1] + finer[2]) / 2,
        "p90": 0.3 * finer[2] + 0.7 * finer[3],
        "median_whole_days": (whole[1] + whole[2]) / 2,
        "p90_whole_days": 0.3 * whole[2] + 0.7 * whole[3],
        "within_a_day": 0.5,
    })  # fmt: skip


def test_reports_are_tables_with_reasons_below(monkeypatch: pytest.MonkeyPatch) -> None:
    pairs = [
        check.PairCheck(crop="pea", source="one1974", temperature=15.0, published=8.0,
                        predicted=10.0, kept_out=True),
        check.PairCheck(crop="rye", source="two1981", temperature=20.0, published=5.0,
                        predicted=4.0, kept_out=False),
    ]  # fmt: skip
    bases = [
        check.BaseCheck(crop="pea", fitted=4.0, printed=((1.0, 1.0), (2.0, 3.5))),
        check.BaseCheck(crop="rye", fitted=4.0, printed=((2.0, 2.0),)),
        check.BaseCheck(crop="oat", fitted=4.25, printed=((2.0, 2.0),)),
    ]
    words = {"pair": {"rye": "fitted to it"}, "base": {"oat": "germination only"}}
    monkeypatch.setattr(check, "pair_check", lambda: pairs)
    monkeypatch.setattr(check, "base_check", lambda: bases)
    monkeypatch.setattr(check, "explanations", words.__getitem__)
    table = [line.split() for line in check.pair_report().split("\n")]
    assert table[1:] == [
        ["pea", "one1974", "15", "8.0", "10.0", "1.25", "no"],
        ["rye", "two1981", "20", "5.0", "4.0", "0.80", "yes"],
        [],
        ["rye:", "fitted", "to", "it"],
    ]
    table = [line.split() for line in check.base_report().split("\n")]
    assert table[1:] == [
        ["pea", "4.0", "1,", "2-3.5"],
        ["rye", "4.0", "2"],
        ["oat", "4.2", "2", "differs"],
        [],
        ["oat:", "germination", "only"],
    ]
    for report in (check.pair_report(), check.base_report()):
        head, *lines = report.split("\n")[:3]
        assert all(line.index(line.split()[1]) >= 17 for line in (head, *lines))


def test_the_command_prints_both_samples_and_both_reports(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    exact = [table_row(days=8.0, decimal=8.0, predicted=8.0)] * 3
    doubled = [table_row(days=8.0, decimal=8.0, predicted=16.0, left_out=True)] * 2
    monkeypatch.setattr(check, "table_check", lambda: exact)
    monkeypatch.setattr(check, "leave_one_out", lambda: doubled)
    monkeypatch.setattr(check, "base_report", lambda: "BASES")
    monkeypatch.setattr(check, "pair_report", lambda: "PAIRS")
    check.main()
    assert [" ".join(line.split()) for line in capsys.readouterr().out.split("\n")] == [
        "day table, |ln(predicted / published days)|",
        ("fitted 3 cells median 0.000 90th percentile 0.000 (whole days: 0.000, 0.000; within a "
        "day: 100%)"),
        ("left out 2 cells median 0.693 90th percentile 0.693 (whole days: 0.693, 0.693; within a "
        "day: 0%)"),
        "", "BASES", "", "PAIRS", "",
    ]  # fmt: skip


@pytest.mark.parametrize("refit", [False, True])
def test_a_cell_left_out_is_predicted_from_the_others_alone(
    monkeypatch: pytest.MonkeyPatch, refit: bool
) -> None:
    """The same steps one by one, for a crop beside two others and one without a day table."""
    found_all = gather()
    four = {name: found_all[name] for name in ("carrot", "lettuce", "tomato", "wheat")}
    four["carrot"] = replace(four["carrot"], cells=four["carrot"].cells[2:6])
    monkeypatch.setattr(check, "gather", lambda: four)
    whole = {shape: fitting.fit_together(shape, _tabled(four), rounds=1) for shape in SHAPES}
    apart = {
        shape: fitting.fit_together(shape, _tabled(four, "carrot"), rounds=1) for shape in SHAPES
    }
    asked: list[tuple[tuple[str, ...], object]] = []

    def remembered(shape: Shape, crops: dict[str, Evidence], starts: object = None):
        asked.append((tuple(crops), starts))
        return (whole if "carrot" in crops else apart)[shape]

    monkeypatch.setattr(fitting, "fit_together", remembered)
    found = check.leave_one_out(["carrot"], refit_others=refit, least_cells=3)
    names = ("carrot", "lettuce", "tomato")
    expected: list[tuple[tuple[str, ...], object]] = [(names, None)] * 2
    if refit:
        expected += [(names[1:], whole[shape][1]) for shape in SHAPES]
    assert asked == expected
    carrot = four["carrot"]
    priors = {}
    for shape in SHAPES:
        fits = {name: whole[shape][1][name] for name in names[1:]}
        seasons = {name: four[name].season for name in fits}
        kept = apart[shape][0] if refit else fitting.common_prior(shape, fits, seasons)
        priors[shape] = kept[carrot.season]
    assert [row.temperature for row in found] == [c.temperature for c in carrot.cells[1:-1]]
    for at, row in enumerate(found, 1):
        seen = tuple(cell for cell in carrot.cells if cell is not carrot.cells[at])
        tried = {
            shape: fitting.fit_shape(carrot, shape, priors[shape], cells=seen,
                                     start=whole[shape][1]["carrot"].point)
            for shape in SHAPES
        }  # fmt: skip
        best = fitting.choose_shape(tried)
        days = np.exp(fitting.ln_days(best.shape, best.point, [row.temperature]))[0]
        assert row.predicted == pytest.approx(days, rel=1e-6)
        cell = carrot.cells[at]
        assert (row.crop, row.left_out) == ("carrot", True)
        assert (row.days, row.decimal) == ((cell.low + cell.high) / 2, cell.decimal)
    assert not check.leave_one_out(["carrot"], least_cells=5)


def _tabled(crops: dict[str, Evidence], *without: str) -> dict[str, Evidence]:
    return {
        name: one for name, one in crops.items()
        if name not in without and any(cell.source == DAY_TABLE for cell in one.cells)
    }  # fmt: skip
