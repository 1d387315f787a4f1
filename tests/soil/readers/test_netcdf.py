"""Soil temperature from NetCDF: units, versions, cells without a place, axes that do not serve."""

from __future__ import annotations

import warnings
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.soil.readers.netcdf import is_netcdf, read_soil_netcdf
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import soil_csv, weather_csv

HOURS = pd.date_range("2026-04-01", periods=48, freq="h")
HERE = {"latitude": 50.0, "longitude": 8.0}
KELVIN = 280.0 + 0.1 * np.arange(48)


def series(
    values: np.ndarray = KELVIN,
    dims: tuple[str, ...] = ("time",),
    unit: str = "K",
    **coords: object,
) -> xr.Dataset:
    return xr.Dataset({"tsoil": (dims, values, {"units": unit})}, coords={"time": HOURS, **coords})


def read(data: xr.Dataset, path: Path, **options: object) -> tuple[xr.DataArray, str]:
    path = path / "soil.nc"
    path.unlink(missing_ok=True)
    data.to_netcdf(path, engine="h5netcdf")
    answer, reading = read_soil_netcdf(path, **options)  # type: ignore[arg-type]
    return answer, " ".join(reading.sentences())


def test_fahrenheit_becomes_celsius(tmp_path: Path) -> None:
    answer, _ = read(series(np.full(48, 50.0), unit="degF"), tmp_path, depth_cm=5)
    assert answer.values == pytest.approx(10.0)


def test_a_named_variable_is_taken_or_the_others_are_told(tmp_path: Path) -> None:
    data = series().assign(probe_2=(("time",), KELVIN - 1.0, {"units": "K"}))
    answer, _ = read(data, tmp_path, variable="probe_2")
    assert float(answer[0]) == pytest.approx(279.0 - 273.15)
    with pytest.raises(InputError, match="no variable 'probe_3'; variables there: tsoil, probe_2"):
        read(data, tmp_path, variable="probe_3")


def test_versions_of_recent_reanalysis_are_merged(tmp_path: Path) -> None:
    """The settled version where it is, the early one after it."""
    early = np.arange(48) >= 24
    both = np.stack([np.where(early, np.nan, KELVIN), np.where(early, KELVIN + 1.0, 999.0)], axis=1)
    answer, _ = read(series(both, ("time", "expver"), expver=[1, 5]), tmp_path)
    assert answer.values == pytest.approx(KELVIN + early - 273.15)
    one, _ = read(series(KELVIN[:, None], ("time", "number"), number=[0]), tmp_path)
    assert one.values == pytest.approx(KELVIN - 273.15)


def test_impossible_values_are_left_out_and_counted(tmp_path: Path) -> None:
    values = KELVIN.copy()
    values[5] = 9000.0
    answer, words = read(series(values), tmp_path)
    assert "1 impossible values were left out" in words
    # A hole of one hour is closed by a straight line.
    assert float(answer[5]) == pytest.approx(280.5 - 273.15)


def test_a_cell_without_a_place_is_never_the_nearest(tmp_path: Path) -> None:
    cells = np.stack([KELVIN + step for step in range(4)], axis=1).reshape(48, 2, 2)
    lat = np.array([[50.0, np.nan], [51.0, 52.0]])
    lon = np.array([[8.0, np.nan], [8.0, 8.0]])

    def placed(lat: np.ndarray) -> xr.Dataset:
        return series(
            cells, ("time", "y", "x"), latitude=(("y", "x"), lat), longitude=(("y", "x"), lon)
        )

    answer, words = read(placed(lat), tmp_path, latitude=51.0, longitude=8.0)
    assert float(answer[0]) == pytest.approx(282.0 - 273.15)
    assert "Cell 51.000 north, 8.000 east" in words
    with pytest.raises(CoverageError, match="no cell of the file says where it lies"):
        read(placed(np.full((2, 2), np.nan)), tmp_path, latitude=51.0, longitude=8.0)


def test_a_level_without_a_depth_is_never_taken(tmp_path: Path) -> None:
    levels = np.stack([KELVIN, KELVIN + 1.0], axis=1)

    def at(depths: list[float]) -> xr.Dataset:
        return series(levels, ("time", "depth"), depth=("depth", depths, {"units": "m"}))

    answer, _ = read(at([np.nan, 0.1]), tmp_path, depth_cm=5)
    assert float(answer["depth"]) == pytest.approx(0.1)
    assert float(answer[0]) == pytest.approx(281.0 - 273.15)
    with pytest.raises(InputError, match="column depth: the levels of tsoil have no depths"):
        read(at([np.nan, np.nan]), tmp_path)


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (series().isel(time=slice(None, None, -1)), "the times are not sorted"),
        (series().isel(time=slice(0, 0)), "the file holds 0 times, expected two at least"),
        (series(np.full(48, np.nan)), "the cell without coordinates holds no values"),
        (series(np.full(48, "mild")), "tsoil holds text; expected numbers"),
        (series().isel(time=slice(None, None, 24)), "values every day are too far apart"),
        (series().isel(time=slice(None, None, 6)), "values every 6 hours are too far apart"),
        (
            series(np.stack([KELVIN, KELVIN], axis=1), ("time", "member")),
            "tsoil has the unexpected dimensions member; expected time, latitude",
        ),
    ],
)
def test_an_axis_or_values_that_do_not_serve(
    data: xr.Dataset, expected: str, tmp_path: Path
) -> None:
    with pytest.raises((InputError, CoverageError), match=expected) as caught:
        read(data, tmp_path)
    assert caught.value.place is not None
    assert Path(caught.value.place.file).name == "soil.nc"


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"soil\.nc: there is no such file"):
        read_soil_netcdf(tmp_path / "soil.nc")


def grid(unit: str = "K") -> xr.Dataset:
    time = pd.date_range("2026-04-01", periods=48, freq="h")
    values = 280.0 + np.arange(48)[:, None, None] * 0.1 + np.arange(6).reshape(2, 3)
    return xr.Dataset(
        {"stl1": (("valid_time", "latitude", "longitude"), values, {"units": unit})},
        coords={"valid_time": time, "latitude": [50.1, 50.0], "longitude": [7.9, 8.0, 8.1]},
    )


def test_netcdf_nearest_cell_in_kelvin(tmp_path: Path) -> None:
    path = tmp_path / "era.nc"
    grid().to_netcdf(path, engine="h5netcdf")
    assert is_netcdf(path)
    series, reading = read_soil_netcdf(path, latitude=50.01, longitude=8.06)
    assert float(series[0]) == pytest.approx(280 + 5 - 273.15)
    assert float(series["depth"]) == pytest.approx(0.035)
    assert "layer from 0 to 7 cm" in " ".join(reading.sentences())
    with pytest.raises(CoverageError, match=r"nearest cell lies .* km away"):
        read_soil_netcdf(path, latitude=10, longitude=8)
    with pytest.raises(InputError, match="6 cells; say where with --at"):
        read_soil_netcdf(path)


def test_netcdf_says_what_it_cannot_take(tmp_path: Path) -> None:
    path = tmp_path / "odd.nc"
    grid("furlong").to_netcdf(path, engine="h5netcdf")
    with pytest.raises(InputError, match="has the units 'furlong'; expected degC, K or degF"):
        read_soil_netcdf(path, **HERE)
    grid().rename(stl1="sst").to_netcdf(path, engine="h5netcdf")
    with pytest.raises(InputError, match=r"no variable is a soil temperature.*there: sst"):
        read_soil_netcdf(path, **HERE)
    stl1 = grid()["stl1"]
    both = grid().assign(stl2=(stl1 - 1).assign_attrs(stl1.attrs))
    both.to_netcdf(path, engine="h5netcdf")
    with pytest.raises(InputError, match=r"several variables.*--depth-cm"):
        read_soil_netcdf(path, **HERE)
    deep, _ = read_soil_netcdf(path, **HERE, depth_cm=15.0)
    assert float(deep["depth"]) == pytest.approx(0.175)
    path.write_bytes(b"\x89HDF nonsense")
    with pytest.raises(InputError, match="not a NetCDF file that can be read"):
        read_soil_netcdf(path)


def test_netcdf_with_a_depth_axis_and_a_local_time_axis(tmp_path: Path) -> None:
    path = tmp_path / "levels.nc"
    time = pd.date_range("2026-04-01", periods=48, freq="h")
    values = np.arange(48)[:, None] * 0.1 + np.array([10.0, 8.0])
    xr.Dataset(
        {"soil_temperature": (("time", "depth"), values, {"units": "degC"})},
        coords={"time": time, "depth": ("depth", [0.05, 0.2], {"units": "m"})},
    ).to_netcdf(path, engine="h5netcdf")
    series, reading = read_soil_netcdf(path, depth_cm=15, timezone="UTC-6")
    assert float(series["depth"]) == pytest.approx(0.2)
    assert series["time"].values[0] == np.datetime64("2026-04-01T06:00")
    assert float(series[0]) == 8.0
    assert reading.time_zone == "UTC-6"


def test_written_files_are_read_back(tmp_path: Path) -> None:
    path = tmp_path / "era.nc"
    grid().to_netcdf(path, engine="h5netcdf")
    series, _ = read_soil_netcdf(path, **HERE)
    (tmp_path / "soil.csv").write_text(soil_csv(series))
    assert (
        (tmp_path / "soil.csv").read_text().startswith("time_utc,soil_temp_C\n2026-04-01T00:00Z,")
    )
    again, _ = read_soil_csv(tmp_path / "soil.csv")
    assert np.allclose(again.values, series.values, atol=6e-4)
    assert (again["time"].values == series["time"].values).all()
    daily = tmp_path / "weather.csv"
    daily.write_text("date,air_temp_C\n" + "".join(f"2026-05-0{d},1{d}\n" for d in range(1, 6)))
    weather, _ = read_weather_csv(daily, **HERE, timezone="UTC")
    (tmp_path / "out.csv").write_text(weather_csv(weather))
    back, _ = read_weather_csv(tmp_path / "out.csv", **HERE)
    assert np.allclose(back["air_temperature"], weather["air_temperature"], atol=6e-4)


@pytest.mark.parametrize("words", [["soil", "read"], ["map", "--crop=carrot", "--sow=2026-03-01",
                                                      "--out=map.nc"]])  # fmt: skip
def test_dimensions_without_a_name_are_one_sentence_and_no_warning(
    words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with h5py.File("plain.nc", "w") as file:
        file["soil_temperature"] = np.arange(10.0)
    with warnings.catch_warnings():
        warnings.simplefilter("error", UserWarning)
        answer = CliRunner().invoke(app, [*words, "plain.nc"])
    assert isinstance(answer.exception, InputError)
    assert "phony_dim_0" in str(answer.exception)
