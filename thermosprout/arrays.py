"""Names of array types, written once for the whole package."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
"""Array of 64-bit floating-point numbers."""

IntArray = npt.NDArray[np.intp]
"""Array of indices."""

BoolArray = npt.NDArray[np.bool_]
"""Array of truth values."""
