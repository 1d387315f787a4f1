"""Estimates a grower's own records have moved, kept as small readable files in one folder.

One file per crop, variety and seed lot. A file that is replaced is kept beside it in ``older``,
and undoing brings it back.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate, Provenance
from thermosprout.crops.estimate_file import (
    Key,
    Origin,
    SavedEstimate,
    document_of,
    key_of,
    read_saved,
)
from thermosprout.errors import InputError, Place
from thermosprout.files import write_atomic

__all__ = [
    "Key",
    "Origin",
    "SavedEstimate",
    "best_estimate",
    "best_saved",
    "file_name",
    "key_of",
    "load_saved",
    "read_saved",
    "save_estimate",
    "undo_estimate",
    "with_best_estimate",
]

_OLDER = "older"
_SUFFIX = ".toml"


def file_name(crop: str, variety: str | None, seed_lot: str | None) -> str:
    """Name of the file of a crop, variety or lot, safe on every system.

    Names that differ only in signs a file name cannot hold get a number of their own.
    """
    parts = [crop] + [part or "any" for part in (variety, seed_lot)]
    while len(parts) > 1 and parts[-1] == "any":
        parts.pop()
    plain = "--".join(_plain(part) for part in parts)
    exact = "--".join(" ".join(part.casefold().split()).replace(" ", "-") for part in parts)
    if plain != exact:
        plain += "-" + sha256(exact.encode()).hexdigest()[:6]
    return plain + _SUFFIX


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.casefold()).strip("-")[:60] or "x"


def save_estimate(folder: Path, saved: SavedEstimate) -> Path:
    """Write an estimate; one it replaces is kept in ``older``.

    Raises
    ------
    InputError
        When the folder cannot be made or written to.
    """
    estimate = saved.estimate
    path = folder / file_name(estimate.crop, estimate.variety, estimate.seed_lot)
    _make(folder)
    if path.exists():
        _keep(path, "until")
    write_atomic(path, document_of(saved))
    return path


def undo_estimate(
    folder: Path, crop: str, variety: str | None = None, seed_lot: str | None = None
) -> tuple[Path, Path | None]:
    """Take back the last saving of one estimate.

    Returns
    -------
    tuple of Path and (Path or None)
        Where the estimate taken back is kept now, and the older file that is in force again,
        None where there was none and the catalogue is.

    Raises
    ------
    InputError
        When there is no such estimate in the folder.
    """
    path = folder / file_name(crop, variety, seed_lot)
    if not path.exists():
        name = ", ".join(part for part in (crop, variety, seed_lot) if part)
        raise InputError(f"there is no saved estimate of {name} to undo", place=Place(file=folder))
    older = sorted(
        (folder / _OLDER).glob(f"{path.stem}.until-*{_SUFFIX}"), key=lambda p: _stamp_of(p.name)
    )
    kept = _keep(path, "undone")
    if not older:
        path.unlink()
        return kept, None
    write_atomic(path, older[-1].read_bytes())
    older[-1].unlink()
    return kept, path


def load_saved(folder: Path) -> dict[Key, SavedEstimate]:
    """Read all estimates of a folder; an absent folder holds none.

    Raises
    ------
    InputError
        For the first file that is not an estimate as this program writes it.
    """
    if not folder.exists():
        return {}
    if not folder.is_dir():
        raise InputError("this is a file, a folder was expected", place=Place(file=folder))
    found: dict[Key, SavedEstimate] = {}
    for path in sorted(folder.glob(f"*{_SUFFIX}")):
        saved = read_saved(path)
        if saved.key in found:
            raise InputError(
                f"the estimate of {saved.title} is also in {found[saved.key].path}",
                place=Place(file=path),
                hint="keep one of the two files",
            )
        found[saved.key] = saved
    return found


def best_saved(
    crop: str, variety: str | None, seed_lot: str | None, folder: Path
) -> SavedEstimate | None:
    """Closest saved estimate: of the lot, else the variety, else the crop."""
    saved = load_saved(folder)
    for key in (
        key_of(crop, variety, seed_lot),
        key_of(crop, None, seed_lot) if seed_lot else None,
        key_of(crop, variety, None),
        key_of(crop, None, None),
    ):
        if key is not None and key in saved:
            return saved[key]
    return None


def best_estimate(crop: Crop, variety: str | None, seed_lot: str | None, folder: Path) -> Estimate:
    """Closest saved estimate of a row's crop, variety and lot, else the crop's own.

    Raises
    ------
    InputError
        When the saved estimate was made with another temperature response than the crop has.
    """
    saved = best_saved(crop.name, variety, seed_lot, folder)
    if saved is None:
        return crop.estimate
    if saved.response != crop.response:
        raise InputError(
            f"the estimate of {saved.title} was made with the {saved.response} temperature "
            f"response, {crop.name} has the {crop.response} one now",
            place=Place(file=saved.path or folder),
            hint="run calibrate again with --save",
        )
    estimate = saved.estimate
    line = Provenance(
        what=f"own records of {saved.title}: {saved.origin.plots} plots, "
        f"{saved.origin.seeds} seeds, {saved.origin.first_planted} to "
        f"{saved.origin.last_inspected}",
        source=f"{', '.join(saved.origin.files)}, calibrated on {saved.made.date().isoformat()}",
        verified="records",
    )
    return replace(estimate, provenance=(*crop.estimate.provenance, line))


def with_best_estimate(crop: Crop, variety: str | None, seed_lot: str | None, folder: Path) -> Crop:
    """Return the crop with the closest saved estimate; see :func:`best_estimate`."""
    return replace(crop, estimate=best_estimate(crop, variety, seed_lot, folder))


def _make(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", place=Place(file=folder)
        ) from None


def _keep(path: Path, word: str) -> Path:
    """Copy a file into ``older`` under a name of its own."""
    older = path.parent / _OLDER
    _make(older)
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    target = older / f"{path.stem}.{word}-{stamp}{_SUFFIX}"
    while target.exists():
        stamp += "0"
        target = older / f"{path.stem}.{word}-{stamp}{_SUFFIX}"
    write_atomic(target, path.read_bytes())
    return target


def _stamp_of(name: str) -> str:
    return name.rsplit("-", 1)[-1]
