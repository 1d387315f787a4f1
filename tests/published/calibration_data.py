"""Readers of the measured trials for the checks of calibration; the data are no part of this."""

from __future__ import annotations

import csv
from collections import defaultdict
from pathlib import Path

import numpy as np
import pandas as pd

from thermosprout.calibration.plots import Plot, noted_window_h
from thermosprout.soil.model.temperature import soil_temperature
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import hours_since_epoch


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def dish(name: str, constant_C: float, seeds: int, ends_h, counts, **more) -> Plot:
    """Dish from the germinated of each interval; a last empty look closes the test."""
    merged: dict[float, float] = defaultdict(float)
    for end, count in zip(ends_h, counts, strict=True):
        merged[float(end)] += float(count)
    hours = np.array(sorted(merged))
    return Plot(
        name=name, planted_h=0.0, depth_cm=1.27, seeds=seeds, hours=hours,
        new=np.array([merged[hour] for hour in hours]), constant_C=constant_C, dish=True, **more,
    )  # fmt: skip


def wheat(shared: Path) -> list[Plot]:
    found: dict[str, list[dict[str, str]]] = defaultdict(list)
    for row in rows(shared / "data/trials/wheat_six_temperatures.csv"):
        found[row["dish"]].append(row)
    return [
        dish(
            name, float(lines[0]["temperature_C"]), int(lines[0]["seeds"]),
            [24 * float(line["end_d"]) for line in lines if line["end_d"]],
            [float(line["count"]) for line in lines if line["end_d"]],
        )
        for name, lines in found.items()
    ]  # fmt: skip


def chickweed(shared: Path) -> Plot:
    lines = rows(shared / "data/trials/chickweed_5C.csv")
    kept = [line for line in lines if line["end_h"]]
    return dish(
        "chickweed", 5.0, int(lines[0]["seeds"]), [float(line["end_h"]) for line in kept],
        [float(line["count"]) for line in kept],
    )  # fmt: skip


def weeds(shared: Path, species: str) -> list[Plot]:
    """One pooled dish a temperature."""
    groups: dict[float, list[dict[str, str]]] = defaultdict(list)
    for row in rows(shared / "data/trials/weeds_four_temperatures_a.csv"):
        if row["species"] == species:
            groups[float(row["mean_temperature_C"])].append(row)
    plots = []
    for constant, lines in sorted(groups.items()):
        up = [24 * float(line["right_d"]) for line in lines if line["germinated"] == "1"]
        plots.append(
            dish(f"{constant:g} C", constant, len(lines), [*up, 24 * 67.0], [1.0] * len(up) + [0.0])
        )
    return plots


def pepper(shared: Path, *, constant_C: float, rep: str = "1") -> list[Plot]:
    """Plates with and without osmotic stress, viable seed only."""
    groups: dict[tuple[str, str], list[dict[str, str]]] = defaultdict(list)
    for row in rows(shared / "data/trials/chile_pepper_peg_a.csv"):
        if row["rep"] == rep and row["viable"] == "1":
            groups[row["run"], row["plate"]].append(row)
    plots = []
    for (run, plate), lines in groups.items():
        seeds = int(sum(float(line["count"]) for line in lines))
        level = lines[0]["peg_percent"]
        up = [(float(line["right_h"]), float(line["count"])) for line in lines if line["right_h"]]
        last = max(float(line["left_h"]) for line in lines)
        up.append((max(last, *(hour for hour, _ in up)) if up else max(last, 24.0), 0.0))
        plots.append(
            dish(
                f"{run}-{plate}",
                constant_C,
                seeds,
                [hour for hour, _ in up],
                [count for _, count in up],
                treatment="direct" if level == "0" else f"PEG {level} %",
            )
        )
    return plots


def alder(shared: Path, serial: str, chilling: str, up_to_C: float) -> list[Plot]:
    """Mean germination times of dishes as dates noted within a twentieth either way."""
    plots = []
    for row in rows(shared / "data/trials/alder_dish_summaries.csv"):
        constant = float(row["temperature_C"])
        if (row["serial_number"], row["chilling"]) != (serial, chilling) or constant > up_to_C:
            continue
        if not row["mean_germination_time_d"]:
            continue
        mean = 24 * float(row["mean_germination_time_d"])
        plots.append(
            Plot(
                name=f"{constant:g}-{row['dish']}",
                planted_h=0.0,
                depth_cm=1.27,
                seeds=0,
                noted_h=(0.95 * mean, 1.05 * mean),
                constant_C=constant,
                dish=True,
            )
        )
    return plots


def field_sowings(shared: Path) -> pd.DataFrame:
    return pd.read_csv(shared / "data/trials/field_sowings_emergence_dates.csv")


def modelled_soil(shared: Path, folder: Path, sowing, *, depth_cm: float, zone: str):
    """Soil temperature of a sowing's weather station, modelled from air under bare ground."""
    weather = pd.read_csv(shared / "data/trials/field_sowings_daily_weather.csv")
    mine = weather[weather["weather_station"] == sowing["weather_station"]]
    path = folder / f"{sowing['weather_station']}.csv"
    pd.DataFrame(
        {
            "date": mine["date"],
            "air_tmin_C": mine["tmin_C"],
            "air_tmax_C": mine["tmax_C"],
            "ghi_W_m2": mine["srad_MJ_m2"] / 0.0864,
            "precip_mm": mine["rain_mm"],
        }
    ).to_csv(path, index=False)
    data = read_weather_csv(
        path, latitude=float(sowing["latitude"]), longitude=float(sowing["longitude"]),
        timezone=zone,
    )[0]  # fmt: skip
    return soil_temperature(data, depth_cm=depth_cm, surface="bare")


def noted(name: str, sown: str, emerged: str, *, depth_cm: float, utc_offset_h: float, **more):
    """Sowing at noon, with one date of emergence."""

    def midnight(day: str) -> float:
        return float(hours_since_epoch([np.datetime64(day)])[0]) - utc_offset_h

    return Plot(
        name=name, planted_h=midnight(sown) + 12.0, depth_cm=depth_cm, seeds=0,
        noted_h=noted_window_h(midnight(emerged)), **more,
    )  # fmt: skip


def table(title: str, heading: tuple[str, ...], lines) -> None:
    """Print a table of figures side by side (shown with ``pytest -s``)."""
    print(f"\n{title}")
    print(" | ".join(f"{cell:>16}" for cell in heading))
    for line in lines:
        print(" | ".join(f"{cell:>16.4g}" if isinstance(cell, float) else f"{cell:>16}"
                         for cell in line))  # fmt: skip
