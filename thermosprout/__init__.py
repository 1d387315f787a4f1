"""Emergence forecasts for direct-sown, soaked and pre-sprouted seed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermosprout.api.ask import (
        compare,
        forecast,
        planting_window,
        presprout,
        read_season,
    )
    from thermosprout.api.inputs import crop, read_soil, read_weather, soil_temperature
    from thermosprout.api.trials import analyse, calibrate, read_records
    from thermosprout.crops.seed_lots import SeedLot
    from thermosprout.maps.files import open_grid, write_map
    from thermosprout.maps.map import emergence_map as map

__version__ = "0.1.0"

_ENTRY_POINTS = {
    "analyse": ("thermosprout.api.trials", "analyse"),
    "calibrate": ("thermosprout.api.trials", "calibrate"),
    "compare": ("thermosprout.api.ask", "compare"),
    "crop": ("thermosprout.api.inputs", "crop"),
    "forecast": ("thermosprout.api.ask", "forecast"),
    "map": ("thermosprout.maps.map", "emergence_map"),
    "open_grid": ("thermosprout.maps.files", "open_grid"),
    "planting_window": ("thermosprout.api.ask", "planting_window"),
    "presprout": ("thermosprout.api.ask", "presprout"),
    "read_records": ("thermosprout.api.trials", "read_records"),
    "read_season": ("thermosprout.api.ask", "read_season"),
    "read_soil": ("thermosprout.api.inputs", "read_soil"),
    "read_weather": ("thermosprout.api.inputs", "read_weather"),
    "SeedLot": ("thermosprout.crops.seed_lots", "SeedLot"),
    "soil_temperature": ("thermosprout.api.inputs", "soil_temperature"),
    "write_map": ("thermosprout.maps.files", "write_map"),
}
"""Public names and where they live; imported when asked for, so that a start stays quick."""

__all__ = [
    "SeedLot",
    "__version__",
    "analyse",
    "calibrate",
    "compare",
    "crop",
    "forecast",
    "map",
    "open_grid",
    "planting_window",
    "presprout",
    "read_records",
    "read_season",
    "read_soil",
    "read_weather",
    "soil_temperature",
    "write_map",
]


def __getattr__(name: str) -> Any:
    """Import an entry point on first use (PEP 562)."""
    if name not in _ENTRY_POINTS:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    module, attribute = _ENTRY_POINTS[name]
    return getattr(import_module(module), attribute)


def __dir__() -> list[str]:
    """List the entry points beside what is loaded."""
    return sorted({*globals(), *_ENTRY_POINTS})
