"""Soil temperatures at several levels of one source, and one of them as a series."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError
from thermosprout.soil.series import soil_series


def level_array(
    values: npt.ArrayLike, depths: Sequence[tuple[float, float]], *, comment: str = ""
) -> xr.DataArray:
    """Soil temperatures (soil_level, time) with the top and bottom of each level. [degC, cm]"""
    tops, bottoms = np.array(depths, dtype=float).T
    return xr.DataArray(
        np.atleast_2d(np.asarray(values, dtype=float)),
        dims=("soil_level", "time"),
        coords={"top_cm": ("soil_level", tops), "bottom_cm": ("soil_level", bottoms)},
        attrs={
            "units": "degC",
            "standard_name": "soil_temperature",
            "comment": comment
            or "value at the depth where top and bottom agree, else mean of the layer",
        },
    )


def one_level(data: xr.Dataset, depth_cm: float, *, surface: str = "unknown") -> xr.DataArray:
    """Series of the level nearest to a depth, at its own depth.

    A layer's mean is given the depth of its middle; going on to seed depth is a step of its own.

    Parameters
    ----------
    data : xarray.Dataset
        With ``soil_temperature`` (soil_level, time). [degC]
    depth_cm : float
        Depth wanted. [cm]
    surface : {"bare", "grass", "unknown"}
        Ground it was measured or modelled under.

    Raises
    ------
    CoverageError
        When there is no soil temperature in the data.
    """
    if "soil_temperature" not in data:
        raise CoverageError("the data hold no soil temperature", hint="choose another source")
    levels = data["soil_temperature"]
    middle = 0.5 * (levels["top_cm"].values + levels["bottom_cm"].values)
    row = int(np.argmin(np.abs(middle - depth_cm)))
    top, bottom = float(levels["top_cm"][row]), float(levels["bottom_cm"][row])
    kind = f"at {top:g} cm" if top == bottom else f"mean of {top:g} to {bottom:g} cm"
    return soil_series(
        data["time"].values,
        levels.values[row],
        depth_cm=float(middle[row]),
        source=f"{data.attrs['source']}, soil {kind}",
        surface=surface,
    )
