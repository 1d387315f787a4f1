"""Names, units and flags of a map, by the CF conventions."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.forecast import STAGES
from thermosprout.planning.map_plan import MapPlan, MapQuestion
from thermosprout.planning.map_soil import GridSoil

REACHED, TOO_SHORT, NO_SOIL = 0, 1, 2
"""Values of ``outcome``."""

_ATTRIBUTES: dict[str, dict[str, Any]] = {
    "days_since_planted": {
        "long_name": "days from planting until a stage of emergence (BBCH 09) is reached",
        "units": "days",
        "ancillary_variables": "outcome",
        "comment": "add days_before_planting for the days since the seed was started",
    },
    "outcome": {
        "long_name": "whether the stage is reached within the soil temperature at hand",
        "standard_name": "status_flag",
        "flag_values": np.array([REACHED, TOO_SHORT, NO_SOIL], dtype="int8"),
        "flag_meanings": "reached series_ends_first no_soil_temperature",
    },
    "days_before_planting": {
        "long_name": "days from wetting the seed to planting it",
        "units": "days",
    },
    "sowing": {"long_name": "instant of planting"},
    "stage": {
        "long_name": "stage of the row: first seedling, half, nine tenths of the final stand"
    },
    "odds": {"long_name": "odds that the stage is reached by then", "units": "1"},
}


def described(
    days: xr.DataArray,
    plan: MapPlan,
    sowings: npt.NDArray[np.datetime64],
    grid: GridSoil,
    asked: MapQuestion,
) -> xr.Dataset:
    """Dataset with names, units and flags by the CF conventions."""
    from thermosprout import __version__

    reached = np.isfinite(days)
    outcome = TOO_SHORT + (REACHED - TOO_SHORT) * reached + (NO_SOIL - TOO_SHORT) * days.isnull()
    lead = np.array([crop.lead_d for crop in plan.crops])
    result = xr.Dataset(
        {
            "days_since_planted": days.where(reached),
            "outcome": outcome.astype("int8"),
        },
        coords={
            "crop": [crop.name for crop in plan.crops],
            "treatment": list(plan.treatments),
            "sowing": sowings,
            "stage": list(STAGES),
            "odds": np.asarray(plan.odds),
            "days_before_planting": (("crop", "treatment"), lead),
        },
    )
    for name, attributes in _ATTRIBUTES.items():
        result[name].attrs = dict(attributes)
    result["sowing"].attrs["comment"] = grid.clock
    _keep_coordinates(result, grid.arrays[0])
    result.attrs = {
        "Conventions": "CF-1.10",
        "title": "Days to emergence of seed",
        "source": f"thermosprout {__version__}, thermal time at the centre of each crop's estimate",
        "soil_temperature": grid.describe(),
        "sowing_depth_cm": asked.depth_cm,
        "seeds_per_row": asked.seeds,
        "comment": "Odds, not promises: local advice and the seed packet come first.",
    }
    return result


def _keep_coordinates(result: xr.Dataset, soil: xr.DataArray) -> None:
    """Name the projection and the coordinates of the grid as its own file does."""
    projection = soil.attrs.get("grid_mapping") or soil.encoding.get("grid_mapping")
    if projection in result.coords:
        for held in result.data_vars.values():
            held.attrs["grid_mapping"] = projection
    for name in soil.coords:
        if name in result.coords:
            result[name].attrs = dict(soil[name].attrs)
