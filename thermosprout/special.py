"""Special functions of statistics: scipy's, without what it imports for other array libraries.

``scipy.special`` takes a third as long to import as numpy, pandas and xarray together, most of it
to look at array libraries that are not used here. The compiled functions need none of that.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import Any

import numpy as np

from thermosprout.arrays import FloatArray

_WHOLE, _COMPILED = "scipy.special", "scipy.special._ufuncs"


def _compiled() -> ModuleType:
    """Scipy's compiled functions; the whole of ``scipy.special`` where it is there already."""
    if _WHOLE in sys.modules:
        return import_module(_WHOLE)
    spec = find_spec(_WHOLE)
    if spec is None:
        raise ModuleNotFoundError(_WHOLE)
    # A package that has a place but runs no imports of its own, for as long as this takes.
    sys.modules[_WHOLE] = module_from_spec(spec)
    try:
        functions = import_module(_COMPILED)
    except ImportError:
        functions = None
    finally:
        del sys.modules[_WHOLE]
    return functions or import_module(_WHOLE)


_functions: Any = _compiled()

ndtr, ndtri = _functions.ndtr, _functions.ndtri
"""Standard normal distribution and its inverse."""

gammaln, betainc, betaincinv = _functions.gammaln, _functions.betainc, _functions.betaincinv
"""Logarithm of the gamma function; incomplete beta function and its inverse."""

bdtrc = _functions.bdtrc
"""Odds of more than k successes in n trials."""


def logsumexp(values: FloatArray) -> float:
    """Logarithm of the sum of exponentials, without overflow."""
    return float(np.logaddexp.reduce(values))
