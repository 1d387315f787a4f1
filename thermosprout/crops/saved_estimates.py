"""The file of one saved estimate: readable numbers, checked entry by entry when read.

Estimates a grower's own records have moved, kept as small readable files in one folder.

One file per crop, variety and seed lot. A file that is replaced is kept beside it in ``older``,
and undoing brings it back.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any, cast

import numpy as np

from thermosprout.crops.catalogue import find_crop, generic_crop
from thermosprout.crops.crop import Crop, ResponseShape, Season, SeedSize
from thermosprout.crops.estimate import NAMES, PARAMETERS, Estimate, Provenance
from thermosprout.errors import InputError, Place
from thermosprout.files import read_text, write_atomic
from thermosprout.quantities import FloatArray

FORMAT = 1

_DROPPED = "imbibition_share"
_ADDED = ("soak_stand", "dry_bed_gain", "dry_bed_stand", "sprout_stand")
_EARLIER = tuple(_DROPPED if name == "soak_reach" else name for name in NAMES if name not in _ADDED)
"""Parameters of files written before soaks and sprouts had effects of their own on the stand."""
"""Number of the layout; a file with a later one is not read."""

Key = tuple[str, str | None, str | None]
"""Crop, variety and seed lot, in lower case."""


@dataclass(frozen=True, kw_only=True)
class Origin:
    """Which records an estimate comes from.

    Attributes
    ----------
    files : tuple of str
        Names of the records files.
    digest : str
        SHA-256 of what was fitted, so that the same records are recognised.
    plots, seeds, inspections : int
        How much there was.
    first_planted, last_inspected : str
        ISO dates.
    prior : str
        What the estimate was before.
    effective_draws : float
        Effective sample size of the fit.
    """

    files: tuple[str, ...]
    digest: str
    plots: int
    seeds: int
    inspections: int
    first_planted: str
    last_inspected: str
    prior: str
    effective_draws: float = 0.0


@dataclass(frozen=True, kw_only=True)
class SavedEstimate:
    """An estimate with where it comes from and when it was made."""

    estimate: Estimate
    response: ResponseShape
    origin: Origin
    made: datetime
    version: str
    path: Path | None = field(default=None, compare=False)

    @property
    def key(self) -> Key:
        """Crop, variety and lot it belongs to."""
        return key_of(self.estimate.crop, self.estimate.variety, self.estimate.seed_lot)

    @property
    def title(self) -> str:
        """Crop, variety and lot for a reader."""
        parts = [self.estimate.crop, self.estimate.variety, self.estimate.seed_lot]
        return ", ".join(part for part in parts if part)


def key_of(crop: str, variety: str | None, seed_lot: str | None) -> Key:
    """Key under which an estimate is found; case and doubled blanks do not matter."""

    def folded(name: str | None) -> str | None:
        return " ".join(name.casefold().split()) or None if name else None

    return folded(crop) or "", folded(variety), folded(seed_lot)


def document_of(saved: SavedEstimate) -> str:
    """Return the file as text: who, from what, and each parameter with its interval and scale."""
    estimate, origin = saved.estimate, saved.origin
    lines = [
        "# Estimate from own records, written by thermosprout calibrate.",
        "# low and high hold 90 %; mean, sd and correlation are on the scale of the model.",
        f"format = {FORMAT}",
        f"crop = {_text(estimate.crop)}",
        f"variety = {_text(estimate.variety or '')}",
        f"seed_lot = {_text(estimate.seed_lot or '')}",
        f"response = {_text(saved.response)}",
        f"made = {saved.made.astimezone(UTC).strftime('%Y-%m-%dT%H:%M:%SZ')}",
        f"version = {_text(saved.version)}",
        "",
        "[records]",
        f"files = [{', '.join(_text(name) for name in origin.files)}]",
        f"digest = {_text(origin.digest)}",
        f"plots = {origin.plots}",
        f"seeds = {origin.seeds}",
        f"inspections = {origin.inspections}",
        f"first_planted = {_text(origin.first_planted)}",
        f"last_inspected = {_text(origin.last_inspected)}",
        f"prior = {_text(origin.prior)}",
        f"effective_draws = {origin.effective_draws:.0f}",
    ]
    spreads = np.sqrt(np.diag(estimate.covariance))
    centre = estimate.centre()
    for index, name in enumerate(estimate.names):
        low, high = estimate.interval(name)
        lines += [
            "",
            f"[parameters.{name}]",
            f"estimate = {_number(centre[name], 6)}",
            f"low = {_number(low, 6)}",
            f"high = {_number(high, 6)}",
            f"scale = {_text(PARAMETERS[name].scale.value)}",
            f"mean = {_number(float(estimate.mean[index]))}",
            f"sd = {_number(float(spreads[index]))}",
        ]
    lines += ["", "[correlation]", f"names = [{', '.join(_text(n) for n in estimate.names)}]"]
    safe = np.where(spreads > 0, spreads, 1.0)
    correlation = estimate.covariance / np.outer(safe, safe)
    lines.append("rows = [")
    for row in range(len(estimate.names)):
        cells = ", ".join(_number(float(v), 8) for v in correlation[row, : row + 1])
        lines.append(f"  [{cells}],")
    lines.append("]")
    return "\n".join(lines) + "\n"


def _number(value: float, digits: int = 12) -> str:
    text = f"{value:.{digits}g}"
    return text if any(sign in text for sign in ".en") else text + ".0"


def _text(value: str) -> str:
    """Return a TOML basic string."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def read_saved(path: Path) -> SavedEstimate:
    """Read one saved estimate; the file is data only and every entry is checked.

    Raises
    ------
    InputError
        Naming the file and the entry.
    """
    text = read_text(path, limit_mb=1.0)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(
            f"this is not a saved estimate ({error})", place=Place(file=path)
        ) from None
    except (RecursionError, ValueError):  # nested too deeply, or a number of thousands of digits
        raise InputError("this is not a saved estimate", place=Place(file=path)) from None
    reader = _Reader(path)
    number = reader.whole(document, "format")
    if number != FORMAT:
        raise InputError(
            f"the layout of this estimate is number {number}, this version reads {FORMAT}",
            place=Place(file=path),
            hint="update thermosprout, or calibrate again",
        )
    records = reader.table(document, "records")
    made = document.get("made")
    if not isinstance(made, datetime) or made.tzinfo is None:
        raise reader.wrong("made", "a date-time with its offset")
    response = reader.text(document, "response")
    if response not in ("linear", "beta"):
        raise reader.wrong("response", "linear or beta")
    files = records.get("files")
    if not isinstance(files, list) or not all(isinstance(name, str) for name in files):
        raise reader.wrong("records.files", "a list of names")
    return SavedEstimate(
        estimate=_estimate(document, reader),
        response=cast("ResponseShape", response),
        origin=Origin(
            files=tuple(files),
            digest=reader.text(records, "digest"),
            plots=reader.whole(records, "plots"),
            seeds=reader.whole(records, "seeds"),
            inspections=reader.whole(records, "inspections"),
            first_planted=reader.text(records, "first_planted"),
            last_inspected=reader.text(records, "last_inspected"),
            prior=reader.text(records, "prior"),
            effective_draws=reader.number(records, "effective_draws"),
        ),
        made=made,
        version=reader.text(document, "version"),
        path=path,
    )


def _estimate(document: Mapping[str, Any], reader: _Reader) -> Estimate:
    parameters = reader.table(document, "parameters")
    correlation = reader.table(document, "correlation")
    names = _EARLIER if correlation.get("names") == list(_EARLIER) else NAMES
    if correlation.get("names") != list(names) or set(parameters) != set(names):
        raise reader.wrong("parameters", f"the {len(NAMES)} parameters of the model in order")
    entries = [reader.table(parameters, name) for name in names]
    for name, entry in zip(names, entries, strict=True):
        scale = PARAMETERS["soak_reach" if name == _DROPPED else name].scale.value
        if entry.get("scale") != scale:
            raise reader.wrong(f"parameters.{name}.scale", scale)
    mean = np.array([reader.number(entry, "mean") for entry in entries])
    spread = np.array([reader.number(entry, "sd") for entry in entries])
    if (spread < 0).any():
        raise reader.wrong("sd", "a number that is not negative")
    matrix = np.zeros((len(names), len(names)))
    rows = correlation.get("rows")
    if not isinstance(rows, list) or len(rows) != len(names):
        raise reader.wrong("correlation.rows", f"{len(names)} rows")
    for index, row in enumerate(rows):
        if not isinstance(row, list) or len(row) != index + 1:
            raise reader.wrong(f"correlation.rows[{index}]", f"{index + 1} numbers")
        for column, value in enumerate(row):
            if not isinstance(value, int | float) or isinstance(value, bool) or abs(value) > 1.001:
                raise reader.wrong(f"correlation.rows[{index}]", "numbers from -1 to 1")
            matrix[index, column] = matrix[column, index] = value
    covariance = matrix * np.outer(spread, spread)
    crop = reader.text(document, "crop")
    if names == _EARLIER:
        mean, covariance = _completed(crop, mean, covariance)
    try:
        return Estimate(
            crop=crop,
            variety=reader.text(document, "variety", empty=True) or None,
            seed_lot=reader.text(document, "seed_lot", empty=True) or None,
            mean=mean,
            covariance=covariance,
        )
    except InputError as error:
        raise InputError(error.what, place=Place(file=reader.path)) from None


def _completed(
    crop: str, mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Add to an estimate of earlier parameters those of today, as the catalogue has them."""
    try:
        prior = find_crop(crop).estimate
    except InputError:
        prior = Estimate.generic(crop)
    kept = [index for index, name in enumerate(_EARLIER) if name != _DROPPED]
    places = [NAMES.index(_EARLIER[index]) for index in kept]
    full, wide = prior.mean.copy(), np.diag(np.diag(prior.covariance))
    full[places] = mean[kept]
    wide[np.ix_(places, places)] = covariance[np.ix_(kept, kept)]
    return full, wide


class _Reader:
    """Takes entries out of a document, or says what is wrong with them."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def wrong(self, name: str, expected: str) -> InputError:
        return InputError(
            f"the entry {name} is missing or wrong, expected {expected}",
            place=Place(file=self.path),
            hint="calibrate again, or take the file out of the folder",
        )

    def table(self, document: Mapping[str, Any], name: str) -> dict[str, Any]:
        value = document.get(name)
        if not isinstance(value, dict):
            raise self.wrong(name, "a table")
        return value

    def text(self, document: Mapping[str, Any], name: str, *, empty: bool = False) -> str:
        value = document.get(name)
        if not isinstance(value, str) or not (value or empty):
            raise self.wrong(name, "text")
        return value

    def number(self, document: Mapping[str, Any], name: str) -> float:
        value = document.get(name)
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise self.wrong(name, "a number")
        try:
            number = float(value)
        except OverflowError:  # a whole number of hundreds of digits
            number = np.inf
        if not np.isfinite(number):
            raise self.wrong(name, "a finite number")
        return number

    def whole(self, document: Mapping[str, Any], name: str) -> int:
        value = document.get(name)
        if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value < 1e12:
            raise self.wrong(name, "a whole number")
        return value


_OLDER = "older"
_GENERIC = re.compile(r"generic (cool|warm)-season crop with (small|medium|large) seed")
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
    copy = _keep(path, "undone")
    if not older:
        path.unlink()
        return copy, None
    write_atomic(path, older[-1].read_bytes())
    older[-1].unlink()
    return copy, path


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
    estimates: dict[Key, SavedEstimate] = {}
    for path in sorted(folder.glob(f"*{_SUFFIX}")):
        saved = read_saved(path)
        if saved.key in estimates:
            raise InputError(
                f"the estimate of {saved.title} is also in {estimates[saved.key].path}",
                place=Place(file=path),
                hint="keep one of the two files",
            )
        estimates[saved.key] = saved
    return estimates


def saved_crop(name: str, folder: Path) -> Crop | None:
    """Crop that the catalogue lacks, as an estimate saved for it has it.

    Parameters
    ----------
    name : str
        What the grower calls it; case and doubled blanks do not matter.

    Returns
    -------
    Crop or None
        Generic, of the growing season and seed size the calibration began with, with the saved
        estimate; None where the folder has none of that name.
    """
    target = key_of(name, None, None)[0]
    for key, saved in load_saved(folder).items():
        if key[0] != target:
            continue
        like = _GENERIC.search(saved.origin.prior)
        season, size = like.groups() if like else ("cool", "medium")
        crop = generic_crop(
            saved.estimate.crop, season=cast("Season", season), seed_size=cast("SeedSize", size)
        )
        return replace(crop, response=saved.response)
    return None


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
