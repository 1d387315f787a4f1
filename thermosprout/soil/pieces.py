"""Weather with long holes: the model runs on each whole piece and the holes stay empty."""

from __future__ import annotations

from typing import Any

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError
from thermosprout.soil.model import soil_temperature
from thermosprout.soil.weather_arrays import LONGEST_GAP_H

SHORTEST_PIECE_H = 72
"""Shorter pieces than this are left out: the soil would not have forgotten its start. [h]"""


def soil_temperature_in_pieces(weather: xr.Dataset, **options: Any) -> xr.DataArray:
    """Model soil temperature where there is weather; hours inside long holes are missing.

    Parameters
    ----------
    weather : xarray.Dataset, dims (time,)
        Hourly; air temperature may have holes of any length.
    **options
        Of :func:`thermosprout.soil.model.soil_temperature`.

    Returns
    -------
    xarray.DataArray, dims (time,)
        On all hours of the weather; ``attrs["holes"]`` counts the holes left empty.

    Raises
    ------
    CoverageError
        When no piece is long enough.
    """
    known = np.isfinite(weather["air_temperature"].values)
    at = np.flatnonzero(known)
    if at.size == 0:
        raise CoverageError("the weather holds no air temperature")
    cuts = np.flatnonzero(np.diff(at) > LONGEST_GAP_H + 1)
    firsts = at[np.concatenate([[0], cuts + 1])]
    lasts = at[np.concatenate([cuts, [at.size - 1]])]
    pieces = []
    for first, last in zip(firsts, lasts, strict=True):
        if last + 1 - first >= SHORTEST_PIECE_H:
            piece = weather.isel(time=slice(int(first), int(last) + 1))
            pieces.append(soil_temperature(piece, **options))
    if not pieces:
        raise CoverageError(
            f"no stretch of weather is {SHORTEST_PIECE_H} h long without a hole",
            hint="give a longer series",
        )
    series = pieces[0] if len(pieces) == 1 else xr.concat(pieces, dim="time")
    out = series.reindex(time=weather["time"].values)
    out.attrs = {**pieces[0].attrs, "holes": len(firsts) - 1}
    said = [text for piece in pieces for text in str(piece.attrs["notes"]).split("; ") if text]
    out.attrs["notes"] = "; ".join(dict.fromkeys(said))
    return out
