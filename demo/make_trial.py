"""Make the invented records of the demo: counts on rows, three trials, readings, a logger, a grid.

Run ``python demo/make_trial.py`` after ``make_demo.py``. Nothing here was ever sown or measured.
What is true of each row and treatment is written down below; seedlings are drawn from it, one by
one, without the program's own model.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

HERE = Path(__file__).parent
SEED = 1
"""The first number there is; no other was tried."""

COLUMNS = (
    "plot", "block", "variety", "seed_lot", "treatment", "started", "planted", "seeds_started",
    "seeds_planted", "depth_cm", "inspected", "emerged",
)  # fmt: skip


@dataclass(frozen=True)
class Truth:
    """How many come up, after how many degree-days for the middle one, and how spread out."""

    stand: float
    middle_Cd: float
    spread: float = 0.22
    started_d: int = 0
    """Days that the seed was wetted before it was planted."""
    extra: float = 1.0
    """Seeds started for each seed planted."""


@dataclass(frozen=True)
class Trial:
    """A trial in blocks; every crop came out in a way of its own."""

    file: str
    variety: str
    lot: str
    planted: str
    base_C: float
    depth_cm: float
    seeds: int
    blocks: str
    every_d: int
    last_d: int
    truth: dict[str, Truth]


TRIALS = (
    # Carrot: a soak changes nothing, and sprouting does not pay: half of the sprouts break.
    Trial(
        "trial.csv", "Amber Long", "CAR25", "2026-04-25", 2.5, 1.5, 50, "ABCDE", 3, 36,
        {
            "direct": Truth(0.66, 118.0),
            "soaked": Truth(0.66, 116.0, started_d=1),
            "presprouted": Truth(0.40, 84.0, started_d=6, extra=1.6),
        },
    ),
    # Beetroot: here a soak helps, in days and in plants.
    Trial(
        "trial_beetroot.csv", "Round Red", "BEE25", "2026-05-02", 3.0, 2.0, 45, "ABCDEF", 2, 30,
        {
            "direct": Truth(0.62, 105.0),
            "soaked": Truth(0.75, 80.0, started_d=1),
        },
    ),
    # Sweet corn: sprouted seed comes two days sooner and stands much thinner.
    Trial(
        "trial_corn.csv", "Early Gold", "COR25", "2026-05-16", 8.5, 3.0, 36, "ABCD", 2, 28,
        {
            "direct": Truth(0.80, 62.0, 0.16),
            "presprouted": Truth(0.52, 50.0, 0.16, started_d=3, extra=1.4),
        },
    ),
)  # fmt: skip

ROWS: dict[str, tuple[float, Truth]] = {
    "N1": (1.5, Truth(0.30, 345.0)),
    "N2": (1.5, Truth(0.31, 340.0)),
    "N3": (1.5, Truth(0.62, 140.0)),
    "N4": (1.5, Truth(0.09, 420.0)),
    "M1": (2.0, Truth(0.82, 150.0, 0.14)),
    "M2": (2.0, Truth(0.81, 148.0, 0.14)),
    "M3": (2.0, Truth(0.52, 112.0, 0.14)),
    "B1": (3.0, Truth(0.60, 138.0)),
    "B2": (3.0, Truth(0.72, 108.0)),
}
"""Base temperature and truth of the rows of the season."""

LOOKS = {
    "N": ("05-06", "05-11", "05-15", "05-19"),
    "M": ("05-01", "05-05", "05-08", "05-12", "05-17"),
    "B": ("05-11", "05-15", "05-19"),
}


def degree_days(soil: pd.Series, planted: str, base_C: float) -> pd.Series:
    """Degree-days above a base from the noon of planting on. [C d]"""
    since = soil[pd.Timestamp(f"{planted}T11:00Z") :]
    return (since - base_C).clip(lower=0).cumsum() / 24


def counts(
    rng: np.random.Generator, truth: Truth, seeds: int, sums: pd.Series, looks: list[str]
) -> list[int]:
    """Seedlings that show at noon of each day, plots differing a little in stand and speed."""
    luck = 1 / (1 + np.exp(-(np.log(truth.stand / (1 - truth.stand)) + rng.normal(0, 0.25))))
    alive = rng.binomial(seeds, luck)
    speed = rng.normal(0, 0.05)
    needed = truth.middle_Cd * np.exp(speed + truth.spread * rng.standard_normal(alive))
    return [int((needed <= sums.asof(pd.Timestamp(f"{day}T11:00Z"))).sum()) for day in looks]


def write_rows(rng: np.random.Generator, soil: pd.Series) -> None:
    """Write the counts of the season's rows."""
    import tomllib

    season = tomllib.loads((HERE / "season.toml").read_text(encoding="utf-8"))
    lots = {lot["id"]: lot for lot in season["lots"]}
    with (HERE / "counts.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow([*COLUMNS, "note"])
        for row in season["rows"]:
            if row["id"] not in ROWS:
                continue
            base, truth = ROWS[row["id"]]
            planted = str(row["planted"])
            seeds = row.get("seeds_planted") or row["stations"] * row.get("seeds_per_station", 1)
            looks = [f"2026-{day}" for day in LOOKS[row["id"][0]]]
            seen = counts(rng, truth, seeds, degree_days(soil, planted, base), looks)
            soak = pd.Timedelta(hours=row.get("soak_h", 0))
            started = str(row.get("started") or (pd.Timestamp(f"{planted}T12:00") - soak).date())
            note = {("M2", 2): "crust on the bed broken with a rake"}
            for index, (day, emerged) in enumerate(zip(looks, seen, strict=True)):
                writer.writerow(
                    [
                        row["id"], 1, lots[row["lot"]]["variety"], row["lot"],
                        row.get("treatment", "direct"), started, planted,
                        row.get("seeds_started", seeds), seeds, row["depth_cm"], day, emerged,
                        note.get((row["id"], index), ""),
                    ]
                )  # fmt: skip


def write_trial(rng: np.random.Generator, soil: pd.Series, trial: Trial) -> None:
    """Write the records of a trial; the carrot's last look stands in the notebook."""
    sums = degree_days(soil, trial.planted, trial.base_C)
    first = pd.Timestamp(trial.planted)
    looks = [
        str((first + pd.Timedelta(days=day)).date())
        for day in range(trial.every_d + 1, trial.last_d + 1, trial.every_d)
    ]
    lines, last = [], []
    for block in trial.blocks:
        for place, name in enumerate(rng.permutation(list(trial.truth)), 1):
            truth = trial.truth[str(name)]
            started = str((first - pd.Timedelta(days=truth.started_d)).date())
            plot = [
                f"{block}{place}", block, trial.variety, trial.lot, str(name), started,
                trial.planted, round(trial.seeds * truth.extra), trial.seeds, trial.depth_cm,
            ]  # fmt: skip
            seen = counts(rng, truth, trial.seeds, sums, looks)
            lines += [[*plot, day, number] for day, number in zip(looks, seen, strict=True)]
            last.append([plot[0], seen[-1]])
    if trial.file == "trial.csv":
        lines = [line for line in lines if line[-2] != looks[-1]]
        with (HERE / "notebook.csv").open("w", newline="", encoding="utf-8") as stream:
            writer = csv.writer(stream, lineterminator="\n")
            writer.writerow(["plot", looks[-1]])
            writer.writerows(last)
    with (HERE / trial.file).open("w", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows(lines)


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
    """Write the files."""
    rng = np.random.default_rng(SEED)
    soil = pd.read_csv(HERE / "soil.csv", index_col=0, parse_dates=True).iloc[:, 0]
    write_rows(rng, soil)
    for trial in TRIALS:
        write_trial(rng, soil, trial)
    write_readings(rng)
    write_logger()
    write_grid()


if __name__ == "__main__":
    main()
