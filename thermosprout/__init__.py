"""Emergence forecasts for direct-sown, soaked and pre-sprouted seed."""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"

__all__ = ["__version__", "map", "open_grid", "write_map"]

_ENTRY_POINTS = {
    "map": ("thermosprout.maps.map", "emergence_map"),
    "open_grid": ("thermosprout.maps.files", "open_grid"),
    "write_map": ("thermosprout.maps.write", "write_map"),
}
"""Public names and where they live; imported when asked for, so that a start stays quick."""


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
