"""Calibration on openly published trials: our figure beside the published or the direct one.

Sources are named in each test; the data lie outside the project.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.published.calibration_data import (
    alder,
    field_sowings,
    modelled_soil,
    noted,
    pepper,
    rows,
    table,
    weeds,
    wheat,
)
from thermosprout.calibration.fit import base_from_prior, fit_with_prior
from thermosprout.calibration.plots import Plot, half_emergence_d
from thermosprout.calibration.predict import Model, temperatures_of
from thermosprout.calibration.result import calibrate
from thermosprout.calibration.scores import forecast_draws
from thermosprout.crops.catalogue import find_crop, generic_crop
from thermosprout.soil.readers.logger import read_soil_csv

ZONES = {"UHIH1601": ("Europe/Berlin", 1.0), "UHIH1801": ("Europe/Berlin", 1.0),
         "NOTH1201": ("America/Toronto", -5.0), "USON0701": ("Europe/Rome", 1.0),
         "SIAZ9501": ("Europe/Madrid", 1.0), "BRPI0201": ("America/Sao_Paulo", -3.0)}  # fmt: skip


def straight_line(plots: list[Plot]) -> tuple[float, float]:
    """Base temperature and thermal time from a line through speeds, the textbook's way."""
    seen = [(plot.constant_C, half_emergence_d(plot)) for plot in plots]
    temperature, days = np.array([pair for pair in seen if pair[1] is not None]).T
    slope, cut = np.polyfit(temperature, 1.0 / days, 1)
    return float(-cut / slope), float(1.0 / slope)


@pytest.mark.slow
def test_weeds_at_four_temperatures(shared: Path) -> None:
    """Eyster & Wolkovich (2021), Climate Change Ecology; means of day and night."""
    lines = []
    for species in ("Dactylis glomerata", "Plantago lanceolata", "Rumex crispus"):
        crop = replace(generic_crop(species, season="cool", seed_size="small"), response="linear")
        plots = weeds(shared, species)
        found = calibrate(crop, plots, with_prior=False)
        base = found.finding("t_base_C")
        thermal = found.finding("thermal_time_50_Cd")
        direct = straight_line(plots)
        lines.append((species[:16], direct[0], base.estimate, direct[1], thermal.estimate))
        assert base.estimate is not None
        for plot in plots:
            days = thermal.estimate / (plot.constant_C - base.estimate)
            lines.append((f"  t50 at {plot.constant_C:g}", half_emergence_d(plot), days, "", ""))
        # One dish each: the tool says that the base temperature hangs on few points.
        assert any("one plot or dish at each temperature" in text for text in found.warnings)
    table(
        "weeds: direct line, ours", ("species", "direct", "ours", "direct C d", "ours C d"), lines
    )
    grass = next(line for line in lines if str(line[0]).startswith("Dactylis"))
    assert grass[2] == pytest.approx(grass[1], abs=1.5)
    assert grass[4] == pytest.approx(grass[3], rel=0.12)


@pytest.mark.slow
def test_wheat_in_one_dish_a_temperature_is_not_trusted(shared: Path) -> None:
    """Ritz, Pipper & Streibig (2013), Eur. J. Agron. 45:1-6: 28 C is slower than 22 C."""
    plots, crop = wheat(shared), find_crop("wheat")
    found = calibrate(crop, plots, with_prior=False)
    text = " ".join(found.warnings)
    assert "speed does not rise steadily with temperature" in text
    assert "one plot or dish at each temperature" in text
    assert "do not trust the intervals" in text
    assert "the base temperature is not fixed by these records" in text
    held = calibrate(crop, plots)
    assert any("speed does not rise steadily" in warning for warning in held.warnings)
    assert held.finding("t_base_C").narrower < 0.5
    cool = [plot for plot in plots if plot.constant_C <= 34]
    table(
        "wheat: base temperature", ("way", "C"),
        [("straight line", straight_line(cool)[0]),
         ("no prior", found.finding("t_base_C").estimate),
         ("with prior", held.finding("t_base_C").estimate)],
    )  # fmt: skip


@pytest.mark.slow
def test_pepper_with_and_without_osmotic_stress(shared: Path) -> None:
    """Bernau and others (2020), PLoS ONE 15(11) e0236001; the temperature is not in the file.

    Plates at one temperature: 25 C stands for it, and no base temperature is reported.
    """
    plots = [p for p in pepper(shared, constant_C=25.0) if p.treatment in ("direct", "PEG 20 %")]
    found = calibrate(find_crop("pepper"), plots, with_prior=False)
    assert found.finding("t_base_C").estimate is None
    ln_days = {
        label: np.log([
            day for plot in plots if plot.treatment == label
            if (day := half_emergence_d(plot)) is not None
        ]).mean()
        for label in ("direct", "PEG 20 %")
    }  # fmt: skip
    direct = float(np.exp(ln_days["PEG 20 %"] - ln_days["direct"]))
    effect = next(item for item in found.treatments if item.name.endswith("thermal_time_factor"))
    table(
        "pepper: slower by", ("stress", "direct", "ours", "low", "high"),
        [("PEG 20 %", direct, effect.estimate, effect.low, effect.high)],
    )  # fmt: skip
    assert effect.low < direct < effect.high
    assert effect.low > 1.0


ALDER_MISSES = {
    # serial number: our base less the published one [K], our heat sum over it; 27 November 2026
    "758725": (-4.8, 2.05),
    "770857": (-4.2, 1.89),
    "815549": (-6.9, 2.35),
    "895710": (-4.6, 2.01),
    "899305": (-6.0, 2.45),
}
"""Collections whose published base is not met to 2 K. Theirs belongs to another rate curve, which
rises straight only at first and is damped long before the optimum (Dayrell and others 2026)."""


@pytest.mark.slow
def test_alder_base_beside_its_published_one_and_the_straight_line(shared: Path) -> None:
    """Dayrell and others (2026), Plants, People, Planet: chilled seed of five collections."""
    lines = []
    for row in rows(shared / "data/trials/alder_published_thresholds.csv"):
        serial, chilling = row["serial_number"], row["chilling"]
        if chilling != "COLD" or serial in ("870171", "905954", "925026"):
            continue
        plots = alder(shared, serial, chilling, up_to_C=30.0)
        crop = replace(generic_crop("alder", season="warm", seed_size="small"), response="linear")
        fit = calibrate(crop, plots, with_prior=False)
        base = fit.finding("t_base_C").estimate
        thermal = fit.finding("thermal_time_50_Cd").estimate
        assert base is not None
        lines.append((serial, float(row["Tb_C"]), straight_line(plots)[0], base,
                      float(row["thetaT50_Cd"]), thermal))  # fmt: skip
    table(
        "alder, chilled: published (damped curve), straight line, ours",
        ("collection", "Tb published", "Tb line", "Tb ours", "C d published", "C d ours"), lines,
    )  # fmt: skip
    away = {line[0]: line[3] - line[1] for line in lines}
    assert {serial for serial, miss in away.items() if abs(miss) > 2.0} == set(ALDER_MISSES)
    for serial, _, _, _, published, ours in lines:
        base, heat = ALDER_MISSES[serial]
        assert away[serial] == pytest.approx(base, abs=0.2)
        assert ours / published == pytest.approx(heat, rel=0.04)
    # The same speeds by a line through them: what our straight response is.
    assert np.mean([abs(line[2] - line[3]) for line in lines]) < 1.5


def forecast_day(crop, estimate, plot, series) -> float:
    return float(np.nanquantile(forecast_draws(crop, estimate, plot, [series])[0], 0.5))


def test_quinoa_calibrated_on_three_sowings_forecasts_the_fourth(
    shared: Path, tmp_path: Path
) -> None:
    """Praeger and others (2019), Agronomy 9:832: two cultivars, four sowings at Hohenheim, 2016."""
    sowings = field_sowings(shared)
    sowings = sowings[sowings["crop"] == "quinoa"]
    soil = modelled_soil(shared, tmp_path, sowings.iloc[0], depth_cm=1.5, zone="Europe/Berlin")
    crop = find_crop("quinoa")
    lines = []
    for cultivar, group in sowings.groupby("cultivar"):
        plots = [
            noted(row.sowing_date, row.sowing_date, row.emergence_date, depth_cm=1.5,
                  utc_offset_h=1.0)
            for row in group.itertuples()
        ]  # fmt: skip
        days = group["days_to_emergence"].to_numpy(dtype=float)
        for left_out, plot in enumerate(plots):
            rest = [other for other in plots if other is not plot]
            fit = fit_with_prior(crop, rest, [soil])
            if not temperatures_of(Model(crop, rest, fit.layers, [soil])).wide_enough:
                fit = base_from_prior(fit)
            lines.append((
                f"{cultivar[:6]} {plot.name[5:]}", days[left_out],
                forecast_day(crop, fit.estimate(), plot, soil),
                forecast_day(crop, crop.estimate, plot, soil),
                float(np.delete(days, left_out).mean()),
            ))  # fmt: skip
    table("quinoa, days to emergence",
          ("sowing", "noted", "calibrated", "catalogue", "mean of others"), lines)  # fmt: skip
    seen, calibrated, before, others = np.array([line[1:] for line in lines]).T
    error = np.abs(calibrated - seen).mean()
    print(f"mean absolute error {error:.2f} d; catalogue {np.abs(before - seen).mean():.2f} d; "
          f"mean of the others {np.abs(others - seen).mean():.2f} d")  # fmt: skip
    assert error <= 1.5
    assert error <= 0.5 * np.abs(others - seen).mean()


def test_single_field_sowings_lie_in_the_catalogues_odds(shared: Path, tmp_path: Path) -> None:
    """Maize and rapeseed sowings of the DSSAT example files; soil modelled from air."""
    lines = []
    sowings = field_sowings(shared)
    for _, row in sowings[sowings["crop"].isin(["maize", "rapeseed"])].iterrows():
        zone, offset = ZONES[row["weather_station"]]
        depth = float(row["sowing_depth_cm"])
        soil = modelled_soil(shared, tmp_path, row, depth_cm=depth, zone=zone)
        plot = noted(row["site"], row["sowing_date"], row["emergence_date"], depth_cm=depth,
                     utc_offset_h=offset)  # fmt: skip
        crop = find_crop(row["crop"])
        draws, _ = forecast_draws(crop, crop.estimate, plot, [soil])
        low, middle, high = np.nanquantile(draws, [0.05, 0.5, 0.95], method="hazen")
        lines.append((row["site"][:16], float(row["days_to_emergence"]), float(low),
                      float(middle), float(high)))  # fmt: skip
    table("field sowings, days", ("site", "noted", "p5", "p50", "p95"), lines)
    assert len(lines) == 4
    assert sum(line[2] <= line[1] <= line[4] for line in lines) >= 3


def test_mead_sowings_say_little_without_their_weather(shared: Path) -> None:
    """AmeriFlux US-Ne1..3, Mead, Nebraska: 20 years of maize, no temperatures published.

    The soil of a station 40 km south (USCRN Lincoln 8 ENE) in 2020 stands for every year, so
    that only the season is told, not the weather of the year: nothing is to be won here over the
    catalogue, and the calibration must neither lose much nor claim to know the base temperature.
    """
    soil, _ = read_soil_csv(
        shared / "data/soil/USCRN_NE_Lincoln_8_ENE.csv", depth_cm=5.0, timezone="UTC"
    )
    crop = find_crop("maize")
    plots, days = [], []
    for index, row in enumerate(rows(shared / "data/trials/mead_nebraska_sowing_emergence.csv")):
        if row["crop"] != "maize":
            continue
        plots.append(
            noted(f"{row['year']}-{index}", f"2020{row['sowing_date'][4:]}",
                  f"2020{row['emergence_date'][4:]}", depth_cm=5.0, utc_offset_h=-6.0)
        )  # fmt: skip
        days.append(float(row["days_to_emergence"]))
    even = [plot for plot in plots if int(plot.name[:4]) % 2 == 0]
    found = calibrate(crop, even, [soil])
    lines = []
    for plot, seen in zip(plots, days, strict=True):
        if plot not in even:
            lines.append((plot.name[:4], seen,
                          forecast_day(crop, found.estimates[0], plot, soil),
                          forecast_day(crop, crop.estimate, plot, soil)))  # fmt: skip
    mean = float(np.mean([d for p, d in zip(plots, days, strict=True) if p in even]))
    table("Mead, maize, odd years", ("year", "noted", "calibrated", "catalogue"), lines)
    seen, after, before = np.array([line[1:] for line in lines], dtype=float).T
    errors = [float(np.abs(x - seen).mean()) for x in (after, before, np.full(seen.size, mean))]
    print(f"error {errors[0]:.2f} d, catalogue {errors[1]:.2f} d, mean {errors[2]:.2f} d")
    assert errors[0] <= 1.1 * errors[1]
    assert found.finding("t_base_C").narrower < 0.2
