"""Several files of one place: parts are put together, two places are told apart."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

import thermosprout
from thermosprout.cli.app import app
from thermosprout.errors import InputError
from thermosprout.files import demo_folder
from thermosprout.soil.readers.logger import join_series
from thermosprout.soil.series import soil_series


def part(first: int, last: int, warmer: float = 0.0, depth_cm: float = 5.0) -> xr.DataArray:
    hours = np.arange(first, last)
    time = np.datetime64("2026-04-01T00", "ns") + hours * np.timedelta64(1, "h")
    values = 10 + 3 * np.sin(2 * np.pi * hours / 24) + warmer
    return soil_series(time, values, depth_cm=depth_cm, source="invented", surface="bare")


@pytest.mark.parametrize("gap", [-48, 0, 1, 30])
def test_parts_of_one_place_are_one_series(gap: int) -> None:
    (whole,) = join_series([part(300 + gap, 900, 0.3), part(0, 300)])
    assert whole.sizes["time"] == 900
    assert float(whole["depth"]) == 0.05
    assert whole.attrs["surface"] == "bare"
    exact = 10 + 3 * np.sin(2 * np.pi * np.arange(900) / 24)
    assert np.abs(whole.values - exact).max() <= 0.3 + 1e-9


def test_two_places_at_once_are_refused() -> None:
    with pytest.raises(InputError, match=r"overlap from 2026-04-05 .* differ by 5.0 °C"):
        join_series([part(0, 300), part(100, 400, 5.0)])


def test_other_depths_and_other_seasons_stay_on_their_own() -> None:
    assert len(join_series([part(0, 300), part(0, 300, 5.0, depth_cm=20)])) == 2
    assert len(join_series([part(0, 300), part(3000, 3300, 5.0)])) == 2
    assert join_series([]) == []


def test_command_and_function_refuse_two_places_alike(tmp_path: Path) -> None:
    trial, soil = demo_folder() / "trial.csv", demo_folder() / "soil.csv"
    head, *lines = soil.read_text().splitlines()
    warm = [f"{line.split(',')[0]},{float(line.split(',')[1]) + 5:.2f}" for line in lines[1500:]]
    other = tmp_path / "other.csv"
    other.write_text("\n".join([head, *warm]) + "\n")
    words = ["calibrate", str(trial), "--crop", "carrot", "--soil", str(soil), "--soil", str(other)]
    answer = CliRunner().invoke(app, words)
    with pytest.raises(InputError, match=r"differ by 5.0 °C") as refusal:
        thermosprout.calibrate(trial, "carrot", soil=[soil, other])
    assert str(answer.exception) == str(refusal.value)


@pytest.mark.slow
def test_two_downloads_of_a_logger_calibrate_as_one(
    tmp_path: Path,
) -> None:
    head, *lines = (demo_folder() / "soil.csv").read_text().splitlines()
    for name, some in (("a.csv", lines[:2000]), ("b.csv", lines[2000:]), ("c.csv", lines)):
        (tmp_path / name).write_text("\n".join([head, *some]) + "\n")
    words = ["calibrate", str(demo_folder() / "trial.csv"), "--crop", "carrot", "--no-prior"]
    two, one = (
        CliRunner().invoke(app, [*words, *(f"--soil={tmp_path / name}" for name in names)])
        for names in (("a.csv", "b.csv"), ("c.csv",))
    )
    assert two.exception is None, two.exception
    assert two.stdout == one.stdout
