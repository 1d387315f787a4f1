"""Estimates that a grower's own records have moved: readable files in one folder, kept and undone.

One file per crop, variety and seed lot; every entry is checked when it is read. A file that is
replaced is kept beside it in ``older``, and undoing brings it back.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Annotated, Literal, cast

import numpy as np
from pydantic import AwareDatetime, BaseModel, Field, ValidationError

from thermosprout.crops.catalogue import find_crop, generic_crop
from thermosprout.crops.crop import Crop, ResponseShape, Season, SeedSize
from thermosprout.crops.estimate import NAMES, PARAMETERS, Estimate, Provenance
from thermosprout.errors import InputError, Place
from thermosprout.files import read_text, toml_string, write_atomic
from thermosprout.quantities import FloatArray

FORMAT = 1
"""Format number that this version writes and reads."""

_DROPPED = "imbibition_share"
_ADDED = ("soak_stand", "dry_bed_gain", "dry_bed_stand", "sprout_stand")
_EARLIER = tuple(_DROPPED if name == "soak_reach" else name for name in NAMES if name not in _ADDED)
"""Parameters of files written before soaks and sprouts had effects of their own on the stand."""

Key = tuple[str, str | None, str | None]
"""Crop, variety and seed lot, in lower case."""

Text = Annotated[str, Field(min_length=1)]
Whole = Annotated[int, Field(strict=True, ge=0, lt=1_000_000_000_000)]
Finite = Annotated[float, Field(strict=True, allow_inf_nan=False)]


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
    digest: Text
    plots: Whole
    seeds: Whole
    inspections: Whole
    first_planted: Text
    last_inspected: Text
    prior: Text
    effective_draws: Finite = 0.0


class _Parameter(BaseModel):
    scale: str
    mean: Finite
    sd: Annotated[Finite, Field(ge=0)]


class _Correlation(BaseModel):
    names: list[str]
    rows: list[list[Annotated[Finite, Field(ge=-1.001, le=1.001)]]]


class _File(BaseModel):
    crop: Text
    variety: str
    seed_lot: str
    response: Literal["linear", "beta"]
    made: Annotated[AwareDatetime, Field(strict=True)]
    version: Text
    records: Origin
    parameters: dict[str, _Parameter]
    correlation: _Correlation


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
        return _title(self.estimate.crop, self.estimate.variety, self.estimate.seed_lot)


def _title(crop: str, variety: str | None, seed_lot: str | None) -> str:
    return ", ".join(part for part in (crop, variety, seed_lot) if part)


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
        f"crop = {toml_string(estimate.crop)}",
        f"variety = {toml_string(estimate.variety or '')}",
        f"seed_lot = {toml_string(estimate.seed_lot or '')}",
        f"response = {toml_string(saved.response)}",
        f"made = {saved.made.astimezone(UTC).strftime('%Y-%m-%dT%H:%M:%SZ')}",
        f"version = {toml_string(saved.version)}",
        "",
        "[records]",
        f"files = {_names(origin.files)}",
    ]
    for name, value in asdict(origin).items():
        if isinstance(value, str | int):
            lines.append(f"{name} = {toml_string(value) if isinstance(value, str) else value}")
    lines.append(f"effective_draws = {origin.effective_draws:.0f}")
    spreads = np.sqrt(np.diag(estimate.covariance))
    centre = estimate.centre()
    for name, mean, spread in zip(estimate.names, estimate.mean, spreads, strict=True):
        low, high = estimate.interval(name)
        lines += [
            "",
            f"[parameters.{name}]",
            f"estimate = {_number(centre[name], 6)}",
            f"low = {_number(low, 6)}",
            f"high = {_number(high, 6)}",
            f"scale = {toml_string(PARAMETERS[name].scale.value)}",
            f"mean = {_number(mean)}",
            f"sd = {_number(spread)}",
        ]
    safe = np.where(spreads > 0, spreads, 1.0)
    lines += ["", "[correlation]", f"names = {_names(estimate.names)}", "rows = ["]
    for number, row in enumerate(estimate.covariance / np.outer(safe, safe), start=1):
        lines.append(f"  [{', '.join(_number(value, 8) for value in row[:number])}],")
    return "\n".join([*lines, "]"]) + "\n"


def _number(value: float, digits: int = 12) -> str:
    text = f"{value:.{digits}g}"
    return text if any(sign in text for sign in ".en") else text + ".0"


def _names(names: tuple[str, ...]) -> str:
    return f"[{', '.join(toml_string(name) for name in names)}]"


def read_saved(path: Path) -> SavedEstimate:
    """Read one saved estimate; the file is data only and every entry is checked.

    Raises
    ------
    InputError
        Naming the file and the entry.
    """
    text = read_text(path, limit_mb=1.0)
    place = Place(file=path)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"this is not a saved estimate ({error})", place=place) from None
    except (RecursionError, ValueError):  # nested too deeply, or a number of thousands of digits
        raise InputError("this is not a saved estimate", place=place) from None
    number = document.get("format")
    if isinstance(number, int) and number != FORMAT:
        raise InputError(
            f"this estimate has format {number}, this version reads format {FORMAT}",
            place=place,
            hint="update thermosprout, or calibrate again",
        )
    try:
        file = _File.model_validate(document)
        estimate = _estimate(file)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        name = ".".join(map(str, fault["loc"]))
        expected = _EXPECTED.get(fault["type"], fault["msg"].removeprefix("Input should be "))
        wrong = f"the entry {name} is missing or wrong, expected {expected}"
    except InputError as error:
        wrong = error.what
    else:
        return SavedEstimate(
            estimate=estimate,
            response=file.response,
            origin=file.records,
            made=file.made,
            version=file.version,
            path=path,
        )
    hint = "calibrate again, or take the file out of the folder"
    raise InputError(wrong, place=place, hint=hint)


_EXPECTED = {
    "missing": "a value",
    "int_type": "a whole number",
    "finite_number": "a finite number",
    "datetime_type": "a date-time with its offset",
    "timezone_aware": "a date-time with its offset",
}
"""What was expected, for the library's kinds of fault that it words for programmers."""


def _estimate(file: _File) -> Estimate:
    """Estimate of a file whose entries are all of their kind."""
    names = _EARLIER if file.correlation.names == list(_EARLIER) else NAMES
    if file.correlation.names != list(names) or set(file.parameters) != set(names):
        raise InputError(f"the {len(NAMES)} parameters of the model were expected, in order")
    entries = [file.parameters[name] for name in names]
    for name, entry in zip(names, entries, strict=True):
        scale = PARAMETERS["soak_reach" if name == _DROPPED else name].scale.value
        if entry.scale != scale:
            raise InputError(f"the entry parameters.{name}.scale is wrong, expected {scale}")
    mean, spread = np.array([[entry.mean, entry.sd] for entry in entries]).T
    if [len(row) for row in file.correlation.rows] != list(range(1, len(names) + 1)):
        raise InputError(f"correlation.rows is wrong, expected {len(names)} rows, each one longer")
    matrix = np.zeros((len(names), len(names)))
    for index, row in enumerate(file.correlation.rows):
        matrix[index, : index + 1] = matrix[: index + 1, index] = row
    covariance = matrix * np.outer(spread, spread)
    if names == _EARLIER:
        mean, covariance = _completed(file.crop, mean, covariance)
    return Estimate(
        crop=file.crop,
        variety=file.variety or None,
        seed_lot=file.seed_lot or None,
        mean=mean,
        covariance=covariance,
    )


def _completed(
    crop: str, mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Add to an estimate of earlier parameters those of today, as the catalogue has them."""
    try:
        prior = find_crop(crop).estimate
    except InputError:
        prior = Estimate.generic(crop)
    common = [index for index, name in enumerate(_EARLIER) if name != _DROPPED]
    places = [NAMES.index(_EARLIER[index]) for index in common]
    full, wide = prior.mean.copy(), np.diag(np.diag(prior.covariance))
    full[places] = mean[common]
    wide[np.ix_(places, places)] = covariance[np.ix_(common, common)]
    return full, wide


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
        name = _title(crop, variety, seed_lot)
        raise InputError(f"there is no saved estimate of {name} to undo", place=Place(file=folder))
    copies = (folder / _OLDER).glob(f"{path.stem}.until-*{_SUFFIX}")
    older = sorted(copies, key=lambda copy: copy.name.rsplit("-", 1)[-1])
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
    saved = next((one for key, one in load_saved(folder).items() if key[0] == target), None)
    if saved is None:
        return None
    like = _GENERIC.search(saved.origin.prior)
    season, size = like.groups() if like else ("cool", "medium")
    crop = generic_crop(
        saved.estimate.crop, season=cast("Season", season), seed_size=cast("SeedSize", size)
    )
    return replace(crop, response=saved.response)


def best_estimate(crop: Crop, variety: str | None, seed_lot: str | None, folder: Path) -> Estimate:
    """Closest saved estimate of a row's crop, variety and lot, else the crop's own.

    Raises
    ------
    InputError
        When the saved estimate was made with another temperature response than the crop has.
    """
    estimates = load_saved(folder)
    keys = [key_of(crop.name, variety, seed_lot)]
    keys += [key_of(crop.name, None, seed_lot)] if seed_lot else []
    keys += [key_of(crop.name, variety, None), key_of(crop.name, None, None)]
    saved = next((estimates[key] for key in keys if key in estimates), None)
    if saved is None:
        return crop.estimate
    if saved.response != crop.response:
        raise InputError(
            f"the estimate of {saved.title} was made with the {saved.response} temperature "
            f"response, {crop.name} has the {crop.response} one now",
            place=Place(file=saved.path or folder),
            hint="run calibrate again with --save",
        )
    origin = saved.origin
    line = Provenance(
        what=f"own records of {saved.title}: {origin.plots} plots, {origin.seeds} seeds, "
        f"{origin.first_planted} to {origin.last_inspected}",
        source=f"{', '.join(origin.files)}, calibrated on {saved.made.date().isoformat()}",
        verified="records",
    )
    return replace(saved.estimate, provenance=(*crop.estimate.provenance, line))


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
