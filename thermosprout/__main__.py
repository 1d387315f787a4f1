"""Start of the command line, by ``python -m thermosprout`` and by the installed script."""

from __future__ import annotations

import gc
import os
import sys

_COMPANIONS = ("dask", "distributed", "pint", "pyarrow", "sparse")
"""Libraries that xarray imports with the first array it makes, if they are installed, only to ask
whether the array is one of theirs: that takes longer than a forecast."""


def main() -> None:
    """Run the command line without the companions of xarray that only maps work with."""
    # Imports make many objects that stay: looking for rubbish among them again and again is idle.
    gc.set_threshold(100_000, 20, 20)
    # No plugin has a say in what a season file may hold: none is looked for among all packages.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    if "xarray" not in sys.modules and "map" not in sys.argv[1:]:
        for name in _COMPANIONS:
            # None says "not installed" to an import (Python's reference, "The module cache").
            sys.modules.setdefault(name, None)  # type: ignore[arg-type]
    from thermosprout.cli.app import main as run

    run()


if __name__ == "__main__":
    main()
