"""Units: degC, hours or days, cm and mm inside; degF and inches only when shown. Array types."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

# In quotes, so that showing a temperature imports no numpy.
FloatArray: TypeAlias = "npt.NDArray[np.float64]"
"""Array of 64-bit floating-point numbers."""

IntArray: TypeAlias = "npt.NDArray[np.intp]"
"""Array of indices."""

BoolArray: TypeAlias = "npt.NDArray[np.bool_]"
"""Array of truth values."""

TABLE_DEPTH_CM = 1.27
"""Depth of the published table of days to emergence; thermal_time_50_Cd belongs to it. [cm]"""

USUAL_DEPTH_CM = 2.0
"""Sowing depth of a crop of which no usual depth is known (common practice, no source). [cm]"""

YEARS = range(1900, 2200)
"""Years that a day typed by a person can lie in; another one is a slip of the finger."""


class Units(StrEnum):
    """How temperatures and lengths are shown."""

    METRIC = "metric"
    US = "us"


def fahrenheit(celsius: float) -> float:
    """Temperature on the Fahrenheit scale [degF]."""
    return celsius * 9.0 / 5.0 + 32.0


def celsius(degrees_fahrenheit: float) -> float:
    """Temperature on the Celsius scale [degC]."""
    return (degrees_fahrenheit - 32.0) * 5.0 / 9.0


def both_scales(celsius_value: float) -> str:
    """Temperature as ``20 °C (68 °F)``, for what is printed or saved without a choice of units."""
    return f"{celsius_value:g} °C ({fahrenheit(celsius_value):.0f} °F)"


def show_temperature(celsius_value: float, units: Units = Units.METRIC) -> str:
    """Temperature as text, to one decimal in degC or to the degree in degF."""
    if units is Units.US:
        return f"{fahrenheit(celsius_value):.0f} °F"
    return f"{celsius_value:.1f} °C"


def show_length(cm: float, units: Units = Units.METRIC) -> str:
    """Depth or spacing as text."""
    if units is Units.US:
        return f"{cm / 2.54:.2g} in"
    return f"{cm:.1f} cm"


def percent(share: float | None) -> str:
    """Share as ``72 %``; an unknown one as a dash."""
    return "–" if share is None else f"{100 * share:.0f} %"
