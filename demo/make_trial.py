"""Make the invented trial of the demo, a notebook page, readings, a logger's export, a small grid.

Run ``python demo/make_trial.py`` after ``make_demo.py``. Nothing here was ever sown or measured:
counts are drawn from the program's own model of carrot under the demo's made-up soil.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.trials.records.values import REQUIRED
from thermosprout.trials.simulate import simulate_records

SEED = 20260425
PLANTED = "2026-04-25"
STARTED = {"direct": "2026-04-25", "soaked": "2026-04-24", "presprouted": "2026-04-19"}
SEEDS = {"direct": (60, 60), "soaked": (60, 60), "presprouted": (90, 60)}
LOOKS = range(4, 37, 2)
"""Days after planting on which somebody looked."""

HERE = Path(__file__).parent


def plots(rng: np.random.Generator) -> pd.DataFrame:
    """Four blocks of three treatments in random order."""
    rows = []
    for block in "ABCD":
        for place, treatment in enumerate(rng.permutation(list(STARTED)), 1):
            started, planted = SEEDS[str(treatment)]
            rows.append(
                {
                    "plot": f"{block}{place}",
                    "block": block,
                    "variety": "Amber Long",
                    "seed_lot": "CAR25",
                    "treatment": str(treatment),
                    "started": pd.Timestamp(f"{STARTED[str(treatment)]}T11:00"),
                    "planted": pd.Timestamp(f"{PLANTED}T11:00"),
                    "seeds_started": started,
                    "seeds_planted": planted,
                    "depth_cm": 1.5,
                }
            )
    return pd.DataFrame(rows)


def write_trial(rng: np.random.Generator) -> None:
    """Write the records, but for the last look, which stands in the notebook."""
    soil, _ = read_soil_csv(HERE / "soil.csv", depth_cm=5.0)
    records = simulate_records(
        find_crop("carrot"), plots(rng), list(LOOKS), rng, soil=soil, viability=0.8
    )
    day = records["inspected"].dt.strftime("%Y-%m-%d")
    last = day.max()
    table = records.assign(
        inspected=day,
        planted=PLANTED,
        started=records["treatment"].map(STARTED),
        temperature_C="",
    )
    table[day < last][list(REQUIRED)].to_csv(HERE / "trial.csv", index=False, lineterminator="\n")
    with (HERE / "notebook.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["plot", last])
        writer.writerows(table[day == last][["plot", "emerged"]].itertuples(index=False))


def write_logger() -> None:
    """A fortnight of the soil as a made-up logger writes it: semicolons and decimal commas."""
    soil = pd.read_csv(HERE / "soil.csv").iloc[24 * 45 : 24 * 59]
    lines = ["Logger: bed 3 (invented)", "Date;Time;Soil temperature (°C)"]
    for when, value in soil.itertuples(index=False):
        local = pd.Timestamp(when).tz_convert("Europe/London")
        lines.append(f"{local:%d/%m/%Y};{local:%H:%M};{value:.1f}".replace(".", ","))
    (HERE / "logger.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_readings(rng: np.random.Generator) -> None:
    """A thermometer pushed in at breakfast on ten days, read to half a degree."""
    soil = pd.read_csv(HERE / "soil.csv").iloc[24 * 47 + 7 : 24 * 57 : 24]
    lines = ["time_utc,depth_cm,soil_temp_C"]
    for when, value in soil.itertuples(index=False):
        shown = round(2 * (value + rng.normal(0.0, 0.4))) / 2
        lines.append(f"{when},5,{shown:.1f}")
    (HERE / "readings.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def write_grid() -> None:
    """Daily least and greatest soil temperature of a few cells around the demo's bed."""
    soil = pd.read_csv(HERE / "soil.csv", index_col=0, parse_dates=True).iloc[:, 0]
    daily = soil.tz_convert(None).resample("1D").agg(["min", "max"]).iloc[1:-1]
    latitude, longitude = np.arange(55.8, 56.7, 0.4), np.arange(-3.6, -2.3, 0.4)
    colder = -1.1 * (latitude[:, None] - 56.2) + 0.4 * (longitude[None, :] + 3.0)
    fields = {
        f"soil_temperature_{name}": (
            ("time", "latitude", "longitude"),
            np.round(daily[name].to_numpy()[:, None, None] + colder, 1).astype("float32"),
            {"units": "degC", "standard_name": "soil_temperature", "cell_methods": how},
        )
        for name, how in (("min", "time: minimum"), ("max", "time: maximum"))
    }
    grid = xr.Dataset(
        fields,
        coords={
            "time": daily.index.to_numpy(),
            "latitude": ("latitude", latitude, {"units": "degrees_north"}),
            "longitude": ("longitude", longitude, {"units": "degrees_east"}),
        },
        attrs={"title": "Invented soil temperature for the demo", "Conventions": "CF-1.8"},
    )
    grid.to_netcdf(HERE / "grid.nc", engine="h5netcdf", encoding={
        name: {"zlib": True, "complevel": 9} for name in fields
    })  # fmt: skip


def main() -> None:
    """Write the five files."""
    rng = np.random.default_rng(SEED)
    write_trial(rng)
    write_readings(rng)
    write_logger()
    write_grid()


if __name__ == "__main__":
    main()
