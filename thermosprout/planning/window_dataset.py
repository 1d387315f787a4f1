"""A sowing window as a CF dataset, and as a NetCDF file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.planning.many_sowings import SoilSteps
from thermosprout.planning.options import Option
from thermosprout.planning.window_asked import WindowAsked

FloatArray = npt.NDArray[np.float64]

_MEANING = {
    "odds_in_time": ("1", "odds that half of the row shows within {within:g} days"),
    "days_to_half": ("d", "days from planting to half emergence"),
    "stand": ("1", "expected share of the seeds planted that emerge"),
    "stand_low": ("1", "share of the seeds planted that emerge, 10 % point"),
    "days_to_harvest": ("d", "bed-days: days from planting to first harvest"),
    "frost_risk": ("1", "odds of a frost in the four weeks after half emergence"),
    "odds_harvest_before_frost": (
        "1",
        "odds that first harvest comes before the first hard frost of autumn",
    ),
}


def window_dataset(
    asked: WindowAsked,
    soil: Mapping[str, SoilSteps],
    options: Sequence[Option],
    sowing_h: FloatArray,
    parts: Mapping[str, list[FloatArray]],
) -> xr.Dataset:
    """Lay the figures out with CF attributes."""
    shape = (len(soil), len(options))
    dims = ("cover", "treatment", "sowing")
    variables = {}
    for name, values in parts.items():
        stacked = np.stack(values)
        units, meaning = _MEANING[name]
        variables[name] = (
            dims if stacked.ndim == 2 else (*dims, "probability"),
            stacked.reshape(*shape, *stacked.shape[1:]),
            {"units": units, "long_name": meaning.format(within=asked.within_d)},
        )
    stamps = (sowing_h * 3.6e12).astype("int64").astype("datetime64[ns]")
    crop = asked.crop
    window = xr.Dataset(
        variables,
        coords={
            "cover": list(soil),
            "treatment": [option.name for option in options],
            "sowing": ("sowing", stamps, {"standard_name": "time", "long_name": "planting, UTC"}),
            "probability": (
                "probability",
                asked.probabilities,
                {"units": "1", "long_name": "odds that it comes no later"},
            ),
        },
        attrs={
            "Conventions": "CF-1.11",
            "title": f"Sowing window of {crop.name}",
            "crop": crop.name,
            "harvest_on": "soil temperature" if asked.air is None else "air temperature",
            "harvest_from_chart": int(asked.need.published),
            "within_days": asked.within_d,
            "tender": int(crop.tender),
            "members": next(iter(soil.values())).members,
        },
    )
    window["cover"].attrs = {"long_name": "seedbed cover"}
    window["treatment"].attrs = {"long_name": "how the seed is handled before planting"}
    return window


def window_netcdf(window: xr.Dataset) -> bytes:
    """The window as a CF NetCDF file; days that are past the horizon are missing values."""
    from tempfile import TemporaryDirectory

    finite = window.map(lambda values: values.where(np.isfinite(values)), keep_attrs=True)
    finite.attrs = dict(window.attrs)
    encoding = {name: {"_FillValue": np.nan, "dtype": "float32"} for name in finite.data_vars}
    # CF allows no missing values in coordinates.
    encoding["probability"] = {"_FillValue": None}
    encoding["sowing"] = {"units": "minutes since 1970-01-01 00:00:00", "dtype": "int64"}
    with TemporaryDirectory() as folder:
        path = Path(folder) / "window.nc"
        finite.to_netcdf(path, engine="h5netcdf", encoding=encoding)
        return path.read_bytes()
