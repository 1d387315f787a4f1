"""Grids of soil temperature made for tests of the map."""

from __future__ import annotations

import numpy as np
import xarray as xr

SEA_ROW = 3
"""Row of cells without soil temperature in grids that reach to it."""


def daily_grid(rows: int = 12, columns: int = 14, days: int = 110, seed: int = 7) -> xr.Dataset:
    """Daily minimum and maximum by the CF conventions; one row of cells is sea."""
    rng = np.random.default_rng(seed)
    day = np.arange(days)[:, None, None]
    lat, lon = np.linspace(44, 52, rows), np.linspace(2, 12, columns)
    season = 10 + 8 * np.sin(2 * np.pi * (day - 40) / 365)
    mean = season - 0.5 * (lat[None, :, None] - 48) + rng.normal(0, 1, (days, rows, columns))
    half = rng.uniform(2, 5, (rows, columns))
    dims = ("time", "lat", "lon")
    attrs = {"units": "degC", "standard_name": "soil_temperature"}
    grid = xr.Dataset(
        {
            "tslmin": (dims, (mean - half).astype("f4"), attrs | {"cell_methods": "time: minimum"}),
            "tslmax": (dims, (mean + half).astype("f4"), attrs | {"cell_methods": "time: maximum"}),
        },
        coords={
            "time": np.datetime64("2026-03-01", "ns") + np.arange(days) * np.timedelta64(1, "D"),
            "lat": ("lat", lat, {"units": "degrees_north", "standard_name": "latitude"}),
            "lon": ("lon", lon, {"units": "degrees_east", "standard_name": "longitude"}),
        },
    )
    return (
        grid.where(xr.DataArray(np.arange(rows) != SEA_ROW, dims="lat")) if rows > SEA_ROW else grid
    )


def hourly_grid(rows: int = 4, columns: int = 5, days: int = 80) -> xr.DataArray:
    """Hourly values of the same kind of ground."""
    daily = daily_grid(rows, columns, days)
    low, high = daily["tslmin"].values, daily["tslmax"].values
    course = 0.5 + 0.5 * np.cos(2 * np.pi * (np.arange(24) - 15) / 24)
    values = low[:, None] + course[None, :, None, None] * (high - low)[:, None]
    time = np.datetime64("2026-03-01", "ns") + np.arange(days * 24) * np.timedelta64(1, "h")
    return xr.DataArray(
        values.reshape(days * 24, rows, columns),
        dims=("time", "lat", "lon"),
        coords={"time": time, "lat": daily["lat"], "lon": daily["lon"]},
        name="soil_temperature",
        attrs={"units": "degC", "standard_name": "soil_temperature"},
    )
