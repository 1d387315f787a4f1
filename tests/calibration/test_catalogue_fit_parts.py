"""The parts of the catalogue's fit, each against the same written down anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from reference_data.build import catalogue as catalogue_fit
from reference_data.build import catalogue_response as fitting
from reference_data.build.catalogue_response import Fit, Prior, Residuals, fit_stand
from reference_data.build.published_evidence import Bound, Evidence, HeatSum
from thermosprout.calibration.crop_curve import BaseFigure, DayCell

POINT = np.array([4.0, np.log(20.0), np.log(10.0), 0.0, np.log(80.0)])


def days(base: float, opt: float, top: float, theta: float, t: float) -> float:
    """A tent with its foot at the base, its tip at the optimum and its end at the ceiling."""
    rate = t - base if t <= opt else (opt - base) * (top - t) / (top - opt)
    return theta / rate


def cell(temperature: float, low: float, high: float, decimal: float = float("nan"), sd=0.03):
    return DayCell(temperature=temperature, low=low, high=high, decimal=decimal, sd=sd,
                   source="s", verified="page")  # fmt: skip


def figure(value: float, sd: float, stage: str = "emergence") -> BaseFigure:
    return BaseFigure(value=value, sd=sd, stage=stage, source="s", verified="page", low=value,
                      high=value)  # fmt: skip


def heat(base: float, total: float, stage: str = "emergence") -> HeatSum:
    return HeatSum(base=base, total=total, stage=stage, source="s", verified="page")


CELLS = (cell(9.0, 14.5, 15.5), cell(14.0, 7.5, 8.5, 8.3), cell(29.0, 6.5, 7.5, 7.1, sd=0.1))
EVIDENCE = Evidence(
    crop="made", season="cool", cells=CELLS,
    bases=(figure(3.0, 1.0), figure(5.5, 2.0, "germination"), figure(9.0, 3.0, "growth")),
    base_bounds=(Bound(value=6.0, sd=0.5, above=True),),
    ceiling_bounds=(Bound(value=33.0, sd=1.5, above=False),),
    optima=((25.0, 5.0, "x"), (22.0, 4.0, "y")),
)  # fmt: skip


def test_days_are_the_heat_over_the_rate() -> None:
    at = [5.0, 14.0, 24.0, 30.0]
    expected = [np.log(days(4.0, 24.0, 34.0, 80.0, t)) for t in at]
    assert fitting.ln_days("linear", POINT, at) == pytest.approx(expected)
    floor = np.log(80.0 / 0.01)
    assert fitting.ln_days("linear", POINT, [1.5, 4.0, 36.0]) == pytest.approx(
        [floor + 2.5, floor, floor + 2.0]
    )


def test_residuals_of_cells_are_roots_of_what_rounding_costs() -> None:
    """Deviance of an interval of ln days against the best that its middle can reach."""
    found = Residuals(EVIDENCE, CELLS, 7.0, 0.5).cells("linear", POINT)
    expected = []
    for one in CELLS:
        ln = np.log(days(4.0, 24.0, 34.0, 80.0, one.temperature))
        ends = np.log([one.low, one.high])
        share, best = (
            float(np.diff(norm.cdf((ends - middle) / one.sd))[0]) for middle in (ln, ends.mean())
        )
        sign = np.sign(ln - ends.mean())
        expected.append(sign * np.sqrt(max(2 * np.log(best / share), 0.0)))
    for one in CELLS[1:]:
        ln = np.log(days(4.0, 24.0, 34.0, 80.0, one.temperature))
        expected.append((ln - np.log(one.decimal)) / one.sd)
    assert found == pytest.approx(expected, abs=1e-6)
    assert Residuals(EVIDENCE, (), 7.0, 0.5).cells("linear", POINT).size == 0


def test_residuals_of_all_else_are_in_standard_deviations() -> None:
    found = Residuals(EVIDENCE, CELLS, 7.0, 0.5).others("linear", POINT)

    def bound(z: float) -> float:
        return float(np.sqrt(-2 * norm.logcdf(z)))

    # The base of growth is left out; two bases count for the fourth root of two each, two optima
    # for the root. Ice at -4 °C is always a bound.
    expected = [
        (4.0 - 3.0) / (1.0 * 2**0.25), (4.0 - 5.5) / (2.0 * 2**0.25),
        bound((4.0 - 6.0) / 0.5), bound((4.0 + 4.0) / 1.0),
        bound((33.0 - 34.0) / 1.5),
        (24.0 - 25.0) / (5.0 * np.sqrt(2)), (24.0 - 22.0) / (4.0 * np.sqrt(2)),
    ]  # fmt: skip
    assert found == pytest.approx(expected)
    grown = Residuals(replace(EVIDENCE, bases=(figure(9.0, 3.0, "growth"),)), CELLS, 7.0, 0.5)
    assert grown.others("linear", POINT)[0] == pytest.approx((4.0 - 9.0) / 3.0)


def test_heat_sums_are_brought_to_shallow_emergence() -> None:
    def sums(*items: HeatSum, depth: float | None = None, season: str = "cool") -> Residuals:
        one = Evidence(crop="x", season=season, sums=items, sum_depth_cm=depth)
        return Residuals(one, (), 7.0, 0.4)

    plain = sums(heat(2.0, 100.0))
    assert plain.sum_temperature.tolist() == [10.0, 18.0]
    assert plain.sum_ln_days == pytest.approx(np.log([100 / 8, 100 / 16]))
    assert plain.sum_sd == pytest.approx([0.25, 0.25])
    # From 3.27 cm, 2 cm deeper at 7 °C d a cm; never less than half is left.
    assert sums(heat(2.0, 100.0), depth=3.27).sum_ln_days == pytest.approx(
        np.log([86 / 8, 86 / 16])
    )
    assert sums(heat(2.0, 20.0), depth=3.27).sum_ln_days == pytest.approx(np.log([10 / 8, 10 / 16]))
    assert sums(heat(2.0, 100.0), depth=0.5).sum_ln_days == pytest.approx(plain.sum_ln_days)
    warm = sums(heat(10.0, 90.0), season="warm")
    assert warm.sum_temperature.tolist() == [18.0, 25.0]
    # Within two degrees of its base a sum tells nothing.
    assert sums(heat(8.0, 90.0)).sum_temperature.tolist() == [18.0]
    assert sums(heat(7.9, 90.0)).sum_temperature.tolist() == [10.0, 18.0]
    sprouts = sums(heat(2.0, 40.0, "germination"), depth=3.27)
    assert sprouts.sum_ln_days == pytest.approx(np.log([100 / 8, 100 / 16]))
    assert sprouts.sum_sd == pytest.approx([0.45, 0.45])
    # Where emergence is known germination is left out; several sums share their say.
    both = sums(heat(2.0, 40.0, "germination"), heat(2.0, 100.0), heat(0.0, 90.0))
    assert both.sum_ln_days == pytest.approx(np.log([100 / 8, 100 / 16, 90 / 10, 90 / 18]))
    assert both.sum_sd == pytest.approx([0.25 * np.sqrt(2)] * 4)
    residual = both.others("linear", POINT)[-4:]
    expected = [(np.log(80.0 / (t - 4.0)) - y) / (0.25 * np.sqrt(2))
                for t, y in zip((10, 18, 10, 18), both.sum_ln_days, strict=True)]  # fmt: skip
    assert residual == pytest.approx(expected)


def test_the_lack_of_fit_is_the_error_of_a_cell() -> None:
    prior = fitting.first_prior("linear", "cool")
    fit = fitting.fit_shape(EVIDENCE, "linear", prior)
    model = Residuals(EVIDENCE, CELLS, 7.0, 0.5)
    soft = 0.03 / 0.058

    def softened(point: np.ndarray) -> np.ndarray:
        return np.r_[soft * model.cells("linear", point), model.others("linear", point)]

    jacobian = np.empty((softened(fit.point).size, 5))
    for column in range(5):
        step = np.zeros(5)
        step[column] = 1e-5
        jacobian[:, column] = (softened(fit.point + step) - softened(fit.point - step)) / 2e-5
    precision = jacobian.T @ jacobian + np.linalg.inv(prior.covariance)
    covariance = np.linalg.inv(precision)
    assert fit.covariance == pytest.approx(covariance, rel=2e-3, abs=1e-7)
    away = fit.point - prior.mean
    cost = 0.5 * (softened(fit.point) @ softened(fit.point)
                  + away @ np.linalg.inv(prior.covariance) @ away)  # fmt: skip
    volume = 0.5 * np.log(np.linalg.det(covariance) / np.linalg.det(prior.covariance))
    assert fit.log_evidence == pytest.approx(volume - cost, abs=0.01)
    published = np.log([np.sqrt(14.5 * 15.5), 8.3, 7.1])
    misses = fitting.ln_days("linear", fit.point, [9.0, 14.0, 29.0]) - published
    assert fit.misfit == pytest.approx(np.sqrt(np.mean(misses**2)))
    empty = fitting.fit_shape(replace(EVIDENCE, cells=()), "linear", prior)
    assert np.isnan(empty.misfit)


def made(shape: str, point: np.ndarray, evidence: float = 0.0, spread: float = 0.1) -> Fit:
    return Fit(shape=shape, point=point, covariance=np.eye(5) * spread, log_evidence=evidence,
               misfit=0.05)  # type: ignore[arg-type]  # fmt: skip


def test_a_straight_line_needs_a_thousand_to_one() -> None:
    beta = made("beta", POINT, 2.0)
    for more, shape in ((np.log(1001.0), "linear"), (np.log(999.0), "beta"), (-1.0, "beta")):
        linear = made("linear", POINT, 2.0 + more)
        assert fitting.choose_shape({"linear": linear, "beta": beta}).shape == shape


@pytest.mark.parametrize("shape", ["linear", "beta"])
def test_what_crops_share_is_shrunk_towards_the_prior(shape: str) -> None:
    rng = np.random.default_rng(4)
    seasons = {"a": "warm", "b": "cool", "c": "cool"}
    fits = {name: made(shape, rng.normal(size=5), spread=s)
            for name, s in zip(seasons, (0.1, 0.2, 0.6), strict=True)}  # fmt: skip
    found = fitting.common_prior(shape, fits, seasons)  # type: ignore[arg-type]
    points = {name: fit.point for name, fit in fits.items()}
    middle = sum(points.values()) / 3
    means: dict[str, np.ndarray] = {}
    for season, bases in (("warm", [points["a"][0]]), ("cool", [points["b"][0], points["c"][0]])):
        first = fitting.first_prior(shape, season)  # type: ignore[arg-type]
        shrunk = (3 * middle + 400 * first.mean) / 403
        means[season] = np.r_[np.mean(bases), shrunk[1:4], first.mean[4]]
        assert found[season].mean == pytest.approx(means[season])
    first_covariance = fitting.first_prior(shape, "cool").covariance  # type: ignore[arg-type]
    spread = 400 * first_covariance + 3 * 0.3 * np.eye(5)
    for name, season in seasons.items():
        off = points[name] - means[season]
        spread += np.outer(off, off)
    spread /= 403
    for fixed in (4, 3) if shape == "linear" else (4,):
        spread[fixed], spread[:, fixed] = 0.0, 0.0
        spread[fixed, fixed] = first_covariance[fixed, fixed]
    for season in ("warm", "cool"):
        assert found[season].covariance == pytest.approx(spread)


def test_crops_are_fitted_in_turn_with_what_they_share(monkeypatch: pytest.MonkeyPatch) -> None:
    calls: list[tuple[str, float, bool]] = []

    def fitted(one: Evidence, shape: str, prior: Prior, start: np.ndarray | None = None) -> Fit:
        calls.append((one.crop, float(prior.mean[0]), start is not None))
        return made(shape, prior.mean + (1.0 if one.season == "warm" else -1.0))

    monkeypatch.setattr(fitting, "fit_shape", fitted)
    crops = {n: replace(EVIDENCE, crop=n, season=s) for n, s in (("a", "warm"), ("b", "cool"))}
    priors, fits = fitting.fit_together("linear", crops, rounds=3)
    assert calls == [("a", 9.0, False), ("b", 1.0, False), ("a", 10.0, True), ("b", 0.0, True),
                     ("a", 11.0, True), ("b", -1.0, True)]  # fmt: skip
    assert [priors[season].mean[0] for season in ("warm", "cool")] == [12.0, -2.0]
    calls.clear()
    fitting.fit_together("linear", crops, starts=fits)
    assert len(calls) == 8
    assert all(started for *_, started in calls)


def test_reasons_for_a_shape() -> None:
    def reason(linear: float, beta: float, *cells: DayCell) -> str:
        by_shape = {"linear": made("linear", POINT, linear), "beta": made("beta", POINT, beta)}
        by_shape["linear"] = replace(by_shape["linear"], misfit=0.12)
        one = Evidence(crop="x", season="cool", cells=cells)
        fit = fitting.choose_shape(by_shape) if one.has_day_table else by_shape["linear"]
        return catalogue_fit._reason(one, by_shape, fit)

    assert reason(0, 0) == "straight line, since only bases and sums are known"
    assert reason(0, 0, CELLS[0]) == "straight line, since too few temperatures were timed"
    for linear, beta, shape, odds in (
        (8.0, 0.0, "straight line", "1000 to 1"),
        (0.0, np.log(7.0), "smooth curve", "are 7 to 1"),
        (0.0, np.log(990.0), "smooth curve", "are 990 to 1"),
        (0.0, 8.0, "smooth curve", "more than 1000 to 1"),
        (2.0, 0.0, "smooth curve", "do not reach 1000 to 1"),
    ):
        words = reason(linear, beta, *CELLS)
        assert words.startswith(shape)
        assert odds in words
        assert "by 5 %" in words
        assert "by 12 %" in words
    assert "below freezing" in reason(0.0, 8.0, *CELLS, cell(0.0, 99.5, 100.5))
    assert "freezing" not in reason(0.0, 8.0, *CELLS, cell(0.5, 99.5, 100.5))


def test_sources_are_told_with_what_was_read_and_what_recalled() -> None:
    sources = {"s": "Source S", "m": "Source M", "osu2024": "Chart O", "chart_gc": "Chart G"}
    whole = (cell(5.0, 19.5, 20.5), cell(20.0, 3.5, 4.5), cell(12.5, 6.5, 7.5))
    recalled = replace(cell(8.0, 9.5, 10.5, 10.2), source="m", verified="memory")
    ranged = replace(figure(2.0, 1.0), low=1.0, high=3.0, verified="memory")
    one = Evidence(
        crop="x", season="cool", cells=(*whole, recalled, replace(recalled, decimal=np.nan)),
        bases=(figure(4.5, 1.0), ranged), maxima=(35.0,),
    )  # fmt: skip

    def told(evidence: Evidence) -> list[tuple[str, ...]]:
        return [tuple(r.values()) for r in catalogue_fit._temperature_provenance(evidence, sources)]

    charts = ("minimum and maximum of sowing charts, as bounds", "Chart O; Chart G", "page")
    expected = [
        ("days at 3 temperatures, 5 to 20 C", "Source S", "page"),
        ("days at 2 temperatures, 8 to 8 C (whole days: page; decimals: memory)", "Source M",
         "memory"),
        ("t_base_C 4.5 (emergence)", "Source S", "page"),
        ("t_base_C 1 to 3 (emergence)", "Source S", "memory"),
        charts,
    ]  # fmt: skip
    assert [sorted(row) for row in told(one)] == [sorted(row) for row in expected]
    bare = Evidence(crop="x", season="cool", sums=(heat(2.0, 105.0),), minima=(4.0,))
    assert [sorted(row) for row in told(bare)] == [
        sorted(row) for row in
        [("heat sum 105 C d above 2 C (emergence)", "Source S", "page"), charts]
    ]  # fmt: skip
    assert told(Evidence(crop="x", season="cool")) == []


def test_without_shares_the_stand_follows_chart_or_response() -> None:
    def stand(**more: object):
        one = Evidence(crop="x", season="cool", **more)  # type: ignore[arg-type]
        return fit_stand(one, base=4.0, ceiling=42.0, chilling_limit=None, hazard=0.06)

    bare = stand()
    assert (bare.low, bare.high, bare.cells) == (5.5, 38.0, 0)
    assert (bare.low_width, bare.high_width) == pytest.approx((1.5, 1.5))
    assert stand(maxima=(32.0, 35.0)).high == 34.5
