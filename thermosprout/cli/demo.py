"""``thermosprout demo``: the invented season, written into a folder and forecast at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

DEMO_DAY = "2026-05-20"
"""Day taken as today in the invented season."""

_LEFT_OUT = {"make_demo.py", "make_trial.py", "make_pictures.py", "pictures", "__pycache__"}


def demo(
    folder: Annotated[
        Path, typer.Argument(help="Folder to write the invented season to; made if absent.")
    ] = Path("thermosprout-demo"),
    plot: Annotated[bool, typer.Option(help="Draw the picture rows.png as well.")] = True,
) -> None:
    """Write an invented season into a folder and forecast it, without a network.

    Example: thermosprout demo
    """
    from thermosprout.cli.forecast import forecast
    from thermosprout.cli.output import note
    from thermosprout.quantities import Units

    write_demo(folder)
    note(f"Wrote the invented season to {folder} (invented place, weather, rows and counts).")
    forecast(
        season=folder / "season.toml",
        as_of=DEMO_DAY,
        row=None,
        plot=folder / "rows.png" if plot else None,
        units=Units.METRIC,
        draws=1000,
        seed=0,
        offline=True,
        json=False,
    )


def write_demo(folder: Path) -> None:
    """Copy the demo's files into a folder; a file that is there already is left as it is.

    Raises
    ------
    InputError
        When a file of that name and other content is there, or the folder cannot be made.
    """
    from thermosprout.errors import InputError, Place
    from thermosprout.files import write_atomic
    from thermosprout.reference import demo_folder

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", place=Place(file=folder)
        ) from None
    for source in sorted(demo_folder().iterdir()):
        if source.name in _LEFT_OUT:
            continue
        content = source.read_bytes()
        target = folder / source.name
        if target.exists():
            if target.read_bytes() != content:
                raise InputError(
                    "this file is there already and differs from the demo's",
                    place=Place(file=target),
                    hint="name another folder",
                )
            continue
        write_atomic(target, content)
