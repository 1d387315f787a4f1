"""The fit behind the catalogue: its likelihoods, its spread, and what it finds of a known crop."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from reference_data.build import catalogue as catalogue_fit
from reference_data.build import catalogue_response as fitting
from reference_data.build.catalogue import PIVOT, lot_covariance
from reference_data.build.catalogue_response import fit_stand
from reference_data.build.published_evidence import Bound, Evidence, HeatSum, gather
from thermosprout.calibration.crop_curve import BaseFigure, DayCell

TRUE = np.array([4.0, np.log(25.0), np.log(10.0), np.log(0.8), 5.0])


def cells(shape: str, temperatures, *, whole: bool = False) -> tuple[DayCell, ...]:
    days = np.exp(fitting.ln_days(shape, TRUE, temperatures))  # type: ignore[arg-type]
    return tuple(
        DayCell(
            temperature=float(t),
            low=float(np.round(d) - 0.5),
            high=float(np.round(d) + 0.5),
            decimal=float("nan") if whole else float(d),
            sd=0.03,
            source="made",
            verified="page",
        )
        for t, d in zip(temperatures, days, strict=True)
    )


def evidence(**more) -> Evidence:
    return Evidence(crop="made", season="cool", **more)


@given(low=st.floats(-30, 30), width=st.floats(0.01, 10))
def test_interval_probability_agrees_with_scipy_in_both_tails(low, width):
    ours = float(fitting._log_share(np.array([low]), np.array([low + width]))[0])
    tail = norm.logsf if low > 0 else norm.logcdf
    larger, smaller = sorted((tail(low), tail(low + width)), reverse=True)
    assert ours == pytest.approx(larger + np.log1p(-np.exp(smaller - larger)), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("shape", ["linear", "beta"])
def test_a_known_crop_is_found_again(shape):
    temperatures = np.arange(6.0, 37.0, 3.0)
    one = evidence(cells=cells(shape, temperatures))
    fit = fitting.fit_shape(one, shape, fitting.first_prior(shape, "cool"))
    np.testing.assert_allclose(
        np.exp(fitting.ln_days(shape, fit.point, temperatures)),
        np.exp(fitting.ln_days(shape, TRUE, temperatures)),
        rtol=0.05,
    )
    assert fit.point[0] == pytest.approx(4.0, abs=1.0)
    assert fit.misfit < 0.03


def test_whole_days_alone_are_enough_and_stay_inside_their_rounding():
    one = evidence(cells=cells("beta", np.arange(8.0, 35.0, 4.0), whole=True))
    fit = fitting.fit_shape(one, "beta", fitting.first_prior("beta", "cool"))
    days = np.exp(fitting.ln_days("beta", fit.point, [c.temperature for c in one.cells]))
    for cell, found in zip(one.cells, days, strict=True):
        assert cell.low * 0.95 <= found <= cell.high * 1.05


def test_the_shape_that_made_the_table_is_chosen():
    temperatures = np.arange(5.0, 38.0, 2.0)
    for shape in fitting.SHAPES:
        one = evidence(cells=cells(shape, temperatures))
        fits = {
            s: fitting.fit_shape(one, s, fitting.first_prior(s, "cool")) for s in fitting.SHAPES
        }
        assert fitting.choose_shape(fits).shape == shape


def test_published_bases_and_cold_cells_pull_the_base():
    table = cells("beta", (15.0, 20.0, 25.0))
    prior = fitting.first_prior("beta", "cool")
    figure = BaseFigure(
        value=9.0, sd=1.0, stage="emergence", source="x", verified="page", low=9.0, high=9.0
    )
    free = fitting.fit_shape(evidence(cells=table), "beta", prior).point[0]
    informed = fitting.fit_shape(evidence(cells=table, bases=(figure,)), "beta", prior).point[0]
    bound = Bound(value=9.0, sd=0.7, above=True)
    bounded = fitting.fit_shape(evidence(cells=table, base_bounds=(bound,)), "beta", prior).point[0]
    assert informed > free + 0.5
    assert bounded > free + 0.5


def test_a_heat_sum_alone_gives_its_days():
    one = evidence(
        sums=(HeatSum(base=2.0, total=100.0, stage="emergence", source="x", verified="page"),),
        bases=(
            BaseFigure(
                value=2.0, sd=1.0, stage="emergence", source="x", verified="page", low=2, high=2
            ),
        ),
    )
    fit = fitting.fit_shape(one, "linear", fitting.first_prior("linear", "cool"))
    days = np.exp(fitting.ln_days("linear", fit.point, [10.0, 18.0]))
    np.testing.assert_allclose(days, [100 / 8, 100 / 16], rtol=0.06)


def test_heat_sums_of_crops_with_a_day_table_never_enter():
    table = cells("linear", (10.0, 15.0, 20.0))
    item = HeatSum(base=2.0, total=500.0, stage="emergence", source="x", verified="page")
    prior = fitting.first_prior("linear", "cool")
    without = fitting.fit_shape(evidence(cells=table), "linear", prior)
    with_sum = fitting.fit_shape(evidence(cells=table, sums=(item,)), "linear", prior)
    np.testing.assert_array_equal(without.point, with_sum.point)


def test_lots_of_another_base_share_the_pivots_speed():
    """Drawn lots have the same spread of days at the pivot whatever their base."""
    covariance = lot_covariance("beta", TRUE, PIVOT["cool"], 0.0)
    rng = np.random.default_rng(1)
    lots = rng.multivariate_normal(TRUE, covariance * 0.01, size=2000)
    days = np.array([fitting.ln_days("beta", lot, [PIVOT["cool"], 8.0]) for lot in lots])
    sd = days.std(axis=0) * 10.0
    assert sd[0] == pytest.approx(0.22, abs=0.02)
    assert sd[1] > 1.2 * sd[0]
    assert abs(np.corrcoef(days[:, 0], lots[:, 0])[0, 1]) < 0.1
    assert np.linalg.eigvalsh(covariance).min() > 0


def test_stand_follows_the_shares_of_normal_seedlings():
    shares = ((5.0, 0.02), (10.0, 0.45), (15.0, 0.9), (25.0, 0.95), (35.0, 0.4), (40.0, 0.02))
    curve = fit_stand(
        evidence(stand=shares), base=4.0, ceiling=42.0, chilling_limit=None, hazard=0.06
    )
    assert curve.low == pytest.approx(10.0, abs=1.0)
    assert curve.high == pytest.approx(34.8, abs=1.5)
    assert curve.cells == len(shares)


def test_chilling_is_not_counted_twice():
    shares = ((15.0, 0.5), (20.0, 0.7), (25.0, 0.95), (30.0, 0.9))
    plain = fit_stand(
        evidence(stand=shares), base=8.0, ceiling=40.0, chilling_limit=None, hazard=0.06
    )
    apart = fit_stand(
        evidence(stand=shares), base=8.0, ceiling=40.0, chilling_limit=25.0, hazard=0.06
    )
    assert apart.low < plain.low


def test_evidence_leaves_out_what_the_sources_warn_of():
    found = gather()
    assert not found["cowpea"].cells
    assert all(item.source != "russelle1980" for item in found["wheat"].sums)
    assert found["sugar beet"].cells
    assert not found["sugar beet"].has_day_table
    assert len(found["parsnip"].cells) == 7


@pytest.mark.parametrize("named", [True, False])
def test_the_catalogue_is_written_where_it_belongs(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str], named: bool
) -> None:
    entry = {"crops": [{"covariance": [["a", "b", 0.5], ["b", "b", 1.5]], "latin_name": "ß"}]}
    monkeypatch.setattr(catalogue_fit, "fit_catalogue", lambda: entry)
    monkeypatch.setattr(catalogue_fit, "reference_file", lambda name: tmp_path / "tables" / name)
    (tmp_path / "tables").mkdir()
    out = tmp_path / "own.json" if named else tmp_path / "tables" / "catalogue.json"
    monkeypatch.setattr(sys, "argv", ["catalogue_fit", *([str(out)] if named else [])])
    catalogue_fit.main()
    text = out.read_text(encoding="utf-8")
    assert json.loads(text) == entry
    assert text.endswith("}\n")
    assert '["a", "b", 0.5]' in text
    assert "ß" in text
    assert capsys.readouterr().err == f"wrote {out}\n"
