"""Special functions of statistics, and libraries of which only a part is imported.

``scipy.special`` takes a third as long to import as numpy, pandas and xarray together, most of it
to look at array libraries that are not used here. The compiled functions need none of that.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from importlib.util import find_spec, module_from_spec
from types import ModuleType
from typing import Any

import numpy as np

from thermosprout.quantities import FloatArray


class _Idle(ModuleType):
    """Stand-in for a library that is imported when one of its functions is called."""

    def __getattr__(self, name: str) -> Callable[..., Any]:
        if name.startswith("__"):
            raise AttributeError(name)
        return lambda *values, **options: getattr(import_module(self.__name__), name)(
            *values, **options
        )


def import_part(package: str, parts: Sequence[str], idle: Sequence[str] = ()) -> Any:
    """Package with some of its modules alone, or the whole where it is imported already.

    Parameters
    ----------
    package : str
        Its own imports are not run, so that nothing else of it is there.
    parts : sequence of str
        Modules of the package, without its name.
    idle : sequence of str
        Libraries that the modules import for functions that are hardly ever called.
    """
    spec = None if package in sys.modules else find_spec(package)
    if spec is None:
        return import_module(package)
    part: ModuleType | None = module_from_spec(spec)
    absent = {name: _Idle(name) for name in idle if name not in sys.modules}
    sys.modules.update({package: part, **absent})  # type: ignore[dict-item]
    try:
        for name in parts:
            import_module(f"{package}.{name}")
    except ImportError:
        part = None
    finally:
        # Who imports any of these later gets the library itself; compiled code loads once only.
        for name in [package, *absent, *_python_modules(package)]:
            del sys.modules[name]
    return part or import_module(package)


def _python_modules(package: str) -> list[str]:
    """Modules of a package that are imported and not compiled."""
    return [
        name
        for name, module in sys.modules.items()
        if name.startswith(f"{package}.") and str(getattr(module, "__file__", "")).endswith(".py")
    ]


_functions: Any = import_part("scipy.special", ["_ufuncs"])._ufuncs

ndtr, ndtri = _functions.ndtr, _functions.ndtri
"""Standard normal distribution and its inverse."""

stdtr, stdtrit, nctdtr = _functions.stdtr, _functions.stdtrit, _functions.nctdtr
"""Student's t distribution, its inverse, and the noncentral one."""

chdtrc, chdtri, fdtrc = _functions.chdtrc, _functions.chdtri, _functions.fdtrc
"""Upper tail of the chi-square distribution, its inverse, and upper tail of the F distribution."""

gammaln, betainc, betaincinv = _functions.gammaln, _functions.betainc, _functions.betaincinv
"""Logarithm of the gamma function; incomplete beta function and its inverse."""

bdtrc = _functions.bdtrc
"""Odds of more than k successes in n trials."""

expit, logit = _functions.expit, _functions.logit
"""Logistic function and its inverse."""


def logsumexp(values: FloatArray) -> float:
    """Logarithm of the sum of exponentials, without overflow."""
    return float(np.logaddexp.reduce(values))
