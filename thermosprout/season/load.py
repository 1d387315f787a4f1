"""Read a season file: every fault becomes one sentence that names the line."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from difflib import get_close_matches
from functools import cached_property
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ValidationError

from thermosprout.crops.catalogue import find_crop, generic_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.errors import InputError, Place, placed
from thermosprout.files import read_text
from thermosprout.season.schema import FORMAT, Bed, Lot, Row, SeasonFile, hours, instant, local_day
from thermosprout.soil.model.surface import cover_named

_AT = re.compile(r"\s*\(at line (\d+), column (\d+)\)")
_END = re.compile(r"\s*\(at end of document\)")

Keys = tuple[str | int, ...]
"""Names of tables and keys from the outermost in; entries of an array by their index."""

_SEED_FACTS = {one.name for one in fields(SeedLot)} - {"crop"}
"""What a lot of the file and a seed lot have in common."""

_LONGEST_HANDLING_D = 100
"""Days that seed may be soaked or sprouted; the most that ``sprout_h`` may say. [d]"""


@dataclass(frozen=True, kw_only=True)
class Season:
    """A season file that has been checked, with what its names stand for."""

    path: Path
    data: SeasonFile = field(repr=False)
    crops: dict[str, Crop] = field(repr=False)
    seed_lots: dict[str, SeedLot] = field(repr=False)
    text: str = field(default="", repr=False)

    @cached_property
    def places(self) -> dict[Keys, tuple[int, int]]:
        """Line and column of each table and key, looked up when an error needs them."""
        return key_places(self.text)

    def place(self, *keys: str | int) -> Place | None:
        """Place of a key in the file; none where the season was made in memory."""
        if not self.text:
            return None
        line, column = nearest_place(self.places, keys)
        return Place(file=self.path, line=line, column=column)

    def resolve(self, name: str, *keys: str | int) -> Path:
        """Path of a file the season names, which may not lie outside the season's folder.

        Raises
        ------
        InputError
            When the path leads out of the folder or there is no such file.
        """
        folder = self.path.parent.resolve()
        path = (folder / name).resolve()
        if not path.is_relative_to(folder):
            raise InputError(
                f"the file {name!r} lies outside the folder of the season",
                place=self.place(*keys),
                hint="keep it beside the season file",
            )
        return path

    def existing(self, name: str, *keys: str | int) -> Path:
        """Path of a file the season names, which must be there; see :meth:`resolve`.

        Raises
        ------
        InputError
            When it is not, with the line that names it.
        """
        path = self.resolve(name, *keys)
        if not path.exists():
            raise InputError(
                f"no such file {name!r} beside the season file", place=self.place(*keys)
            )
        return path

    def require_row(self, name: str) -> None:
        """Refuse a row that the season does not have.

        Raises
        ------
        InputError
            With the name that comes closest.
        """
        rows = [row.id for row in self.data.rows]
        if name not in rows:
            raise InputError(
                f"there is no row {name!r}{_guess(name, rows)}",
                place=Place(file=self.path),
                hint=f"its rows: {', '.join(rows)}",
            )

    def row_crop(self, row: Row) -> Crop:
        """Return the crop of a row, by its lot or its own name."""
        return self.crops[_crop_name(row, self.data.lots)]

    def lot(self, name: str) -> SeedLot:
        """Seed lot by its id.

        Raises
        ------
        InputError
            When the season has no such lot.
        """
        if name not in self.seed_lots:
            names = ", ".join(self.seed_lots) or "none"
            raise InputError(f"there is no seed lot {name!r}; known lots: {names}")
        return self.seed_lots[name]

    def row_lot(self, row: Row) -> SeedLot:
        """Seed lot of a row; one of which nothing is known when the row names none."""
        if row.lot:
            return self.seed_lots[row.lot]
        return SeedLot(id="unknown", crop=self.row_crop(row).name, variety=row.variety)


def _crop_name(row: Row, lots: Sequence[Lot]) -> str:
    """Name under which the crop of a row is known."""
    return row.crop or next((lot.crop for lot in lots if lot.id == row.lot), "")


def load_season(path: str | Path) -> Season:
    """Read and check a season file.

    Parameters
    ----------
    path : path
        A TOML file, format 1.

    Returns
    -------
    Season

    Raises
    ------
    InputError
        For the first fault found, with its line and column.
    """
    file = Path(path)
    text = read_text(file, limit_mb=8)
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(error, file, text) from None
    except RecursionError:
        raise InputError("tables are nested too deeply", place=Place(file=file)) from None
    except ValueError:  # Python bounds the digits of a whole number
        raise InputError("a number has too many digits", place=Place(file=file)) from None
    if "format" in raw and raw["format"] != FORMAT:
        raise InputError(
            f"this season file has format {raw['format']!r}, this version reads format {FORMAT}",
            place=_place(file, text, ("format",)),
        )
    try:
        data = SeasonFile.model_validate(raw)
    except ValidationError as error:
        sentence, keys = schema_fault(error)
        raise InputError(sentence, place=_place(file, text, keys)) from None
    return _checked(file, data, text)


def _syntax_error(error: tomllib.TOMLDecodeError, file: Path, text: str) -> InputError:
    message = str(error)
    at = _AT.search(message)
    line = int(at[1]) if at else text.count("\n") + 1
    column = int(at[2]) if at else None
    what = _END.sub(" at the end of the file", _AT.sub("", message))
    what = what[0].lower() + what[1:] if what else "not readable"
    return InputError(f"this is not TOML: {what}", place=Place(file=file, line=line, column=column))


def _place(file: Path, text: str, keys: Sequence[str | int]) -> Place:
    """Place of a key of the file, or of the closest thing that holds it."""
    line, column = nearest_place(key_places(text), keys)
    return Place(file=file, line=line, column=column)


def schema_fault(error: ValidationError) -> tuple[str, tuple[str | int, ...]]:
    """First fault of a table as a sentence in the words of the file, and the keys it lies at."""
    # A mistyped key also leaves the right one missing: the key is what the grower can see.
    faults = error.errors(include_url=False)
    fault = min(faults, key=lambda fault: fault["type"] != "extra_forbidden")
    path = tuple(part for part in fault["loc"] if not _is_branch(part))
    name = ".".join(str(part) for part in path if not isinstance(part, int)) or "the file"
    return _sentence(fault["type"], fault["msg"], fault.get("input"), name, path), path


def _is_branch(part: str | int) -> bool:
    """Tell the library's own marks in a location (branches of a union) from keys."""
    return isinstance(part, str) and ("[" in part or part in {"date", "datetime", "float", "int"})


_SECTIONS = {
    "site": "name, latitude, longitude and timezone",
    "soil": 'file = "soil.csv", or service = "open-meteo"',
}
"""What the sections hold that no season can do without."""


def _sentence(kind: str, message: str, value: Any, name: str, path: tuple[str | int, ...]) -> str:
    if kind == "extra_forbidden":
        keys = _keys_of(path)
        near = get_close_matches(str(path[-1]), keys, n=1)
        guess = f"; did you mean {near[0]!r}?" if near else f"; known are {', '.join(keys)}"
        return f"unknown key {path[-1]!r}{guess}"
    if kind == "missing":
        table = next((str(part) for part in path[:-1] if isinstance(part, str)), "")
        if not table and path[-1] in _SECTIONS:
            return f"the section [{path[-1]}] is missing; add it with {_SECTIONS[str(path[-1])]}"
        return f"{path[-1]} is missing" + (f" from this entry of {table}" if table else "")
    if kind == "value_error":
        return message.removeprefix("Value error, ")
    if kind == "model_type":
        return f"{name} must be a table, found {value!r}"
    text = repr(value) if len(repr(value)) < 60 else f"{repr(value)[:57]}..."
    expected = message.removeprefix("Input should be ")
    return f"{name} is {text}, expected {expected}"


def _keys_of(path: tuple[str | int, ...]) -> list[str]:
    """Keys of the table a path lies in."""
    model: type[BaseModel] = SeasonFile
    for part in path[:-1]:
        if isinstance(part, str) and part in model.model_fields:
            for inner in _models(model.model_fields[part].annotation):
                model = inner
    return list(model.model_fields)


def _models(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [model for part in getattr(annotation, "__args__", ()) for model in _models(part)]


def _checked(file: Path, data: SeasonFile, text: str) -> Season:
    """Check what one table says against the others."""

    def fail(what: str, *keys: str | int, hint: str = "") -> InputError:
        return InputError(what, place=_place(file, text, keys), hint=hint)

    tables: dict[str, Sequence[Lot | Bed | Row]]
    tables = {"lots": data.lots, "beds": data.beds, "rows": data.rows}
    for table, entries in tables.items():
        ids = [entry.id for entry in entries]
        for index, name in enumerate(ids):
            if name in ids[:index]:
                raise fail(f"the id {name!r} stands twice among {table}", table, index, "id")
    covers = {"beds": [bed.cover for bed in data.beds], "rows": [row.cover for row in data.rows]}
    for table, named in covers.items():
        for index, cover in enumerate(named):
            try:
                cover_named(cover)
            except InputError as error:
                raise fail(error.what, table, index, "cover", hint=error.hint) from None
    beds = [bed.id for bed in data.beds] or [row.bed for row in data.rows if row.bed]
    for index, watering in enumerate(data.watering):
        if watering.bed is not None and watering.bed not in beds:
            guess = _guess(watering.bed, beds)
            raise fail(f"the bed {watering.bed!r} is not listed{guess}", "watering", index, "bed")
    crops: dict[str, Crop] = {}
    lots = {lot.id: lot for lot in data.lots}
    seed_lots: dict[str, SeedLot] = {}
    for index, lot in enumerate(data.lots):
        crops[lot.crop] = crop = _crop(lot, fail, index)
        with placed(_place(file, text, ("lots", index))):
            facts = lot.model_dump(include=_SEED_FACTS)
            seed_lots[lot.id] = SeedLot(crop=crop.name, **facts)
    for index, row in enumerate(data.rows):
        _check_row(row, index, data, lots, fail)
        name = _crop_name(row, data.lots)
        if name not in crops:
            try:
                crops[name] = find_crop(name)
            except InputError as error:
                raise fail(error.what, "rows", index, "crop") from None
    return Season(
        path=file,
        data=data,
        crops=crops,
        seed_lots=seed_lots,
        text=text,
    )


def _crop(lot: Lot, fail: Any, index: int) -> Crop:
    """Return the crop of a lot; one the catalogue lacks needs its season and seed size."""
    try:
        return find_crop(lot.crop)
    except InputError as error:
        if lot.season and lot.seed_size:
            return generic_crop(lot.crop, season=lot.season, seed_size=lot.seed_size)
        hint = "for a crop of your own add season and seed_size to its lot"
        raise fail(error.what, "lots", index, "crop", hint=hint) from None


def _check_row(row: Row, index: int, data: SeasonFile, lots: dict[str, Lot], fail: Any) -> None:
    for key, names in (("lot", lots), ("bed", {bed.id for bed in data.beds})):
        name = getattr(row, key)
        if name is not None and name not in names and (key == "lot" or data.beds):
            guess = _guess(name, list(names))
            raise fail(f"the {key} {name!r} is not listed{guess}", "rows", index, key)
    here = ("rows", index)
    if row.lot and row.crop and find_crop(row.crop).name != find_crop(lots[row.lot].crop).name:
        what = f"the row says {row.crop!r} but its lot is {lots[row.lot].crop!r}"
        raise fail(what, *here, "crop")
    lot = lots.get(row.lot) if row.lot else None
    zone = data.site.zone
    planted_year = local_day(row.planted, zone).year
    if lot is not None and lot.year is not None and lot.year > planted_year:
        raise fail(
            f"lot {lot.id} was harvested in {lot.year}, after row {row.id} is planted in "
            f"{planted_year}",
            *("lots", list(lots).index(lot.id), "year"),
        )
    check_times(row, zone, lambda what, key: fail(what, *here, key))


def check_times(row: Row, zone: ZoneInfo, fail: Callable[[str, str], InputError]) -> None:
    """Check that a row's seed was wetted before it was planted, and as long before as it says.

    Parameters
    ----------
    row : Row
    zone : ZoneInfo
        Zone of its days.
    fail : callable
        Makes the error from what is wrong and the key that says it.
    """
    if row.started is None:
        return
    # Two days, or a day and an instant of that day, are compared as days.
    if local_day(row.started, zone) > local_day(row.planted, zone) or (
        isinstance(row.started, datetime)
        and isinstance(row.planted, datetime)
        and row.started > row.planted
    ):
        what = f"planted {row.planted.isoformat()} is before started {row.started.isoformat()}"
        raise fail(what, "planted")
    apart = hours(instant(row.planted, zone)) - hours(instant(row.started, zone))
    if row.treatment == "direct" and apart > 24:
        what = (
            "a direct-sown row meets water and soil on one day, but started lies "
            f"{apart / 24:.0f} days before planted"
        )
        raise fail(what, "started")
    if row.treatment != "direct" and apart > 24 * _LONGEST_HANDLING_D:
        what = (
            f"row {row.id}: started {row.started.isoformat()} lies {apart / 24:.0f} days before "
            f"planted {row.planted.isoformat()}, expected up to {_LONGEST_HANDLING_D}"
        )
        raise fail(what, "started")
    key = "soak_h" if row.treatment == "soaked" else "sprout_h"
    handled = getattr(row, key)
    if handled is not None and abs(apart - handled) > 24:
        what = f"{key} is {handled:g} h but started and planted lie {apart:.0f} h apart"
        raise fail(what, key)


def _guess(name: str, names: list[str]) -> str:
    """Name that comes closest; small and capital letters are the same to a grower."""
    folded = {one.casefold(): one for one in reversed(names)}
    near = get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.5)
    return f"; did you mean {folded[near[0]]!r}?" if near else ""


_TABLE = re.compile(r"^\s*\[(?!\[)\s*([^\]]+?)\s*\]")
_ARRAY = re.compile(r"^\s*\[\[\s*([^\]]+?)\s*\]\]")
_KEY = re.compile(r"^(\s*)((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*[A-Za-z0-9_-]+)*)\s*=")


def key_places(text: str) -> dict[Keys, tuple[int, int]]:
    """Line and column, counted from one, of each table and key of a TOML text.

    Entries of an array of tables carry their index, as in ``("rows", 2, "depth_cm")``.
    """
    places: dict[Keys, tuple[int, int]] = {(): (1, 1)}
    counts: dict[Keys, int] = {}
    prefix: Keys = ()
    closing: str | None = None
    # TOML ends a line with a line feed; str.splitlines knows more ends than that.
    for number, line in enumerate(text.split("\n"), start=1):
        if closing is not None:
            if closing in line:
                closing = None
            continue
        if match := _ARRAY.match(line):
            name = _parts(match[1])
            index = counts.get(name, 0)
            counts[name] = index + 1
            prefix = (*name, index)
            places.setdefault(name, (number, 1))
            places[prefix] = (number, line.index("[") + 1)
        elif match := _TABLE.match(line):
            prefix = _inside(_parts(match[1]), counts)
            places.setdefault(prefix, (number, line.index("[") + 1))
        elif match := _KEY.match(line):
            path = (*prefix, *_parts(match[2]))
            places.setdefault(path, (number, len(match[1]) + 1))
            rest = line[match.end() :].strip()
            for quote in ('"""', "'''"):
                if rest.startswith(quote) and quote not in rest[3:]:
                    closing = quote
    return places


def nearest_place(
    places: dict[Keys, tuple[int, int]], path: Sequence[str | int]
) -> tuple[int, int]:
    """Place of the path, or of the closest thing that holds it."""
    key = tuple(path)
    while key not in places and key:
        key = key[:-1]
    return places.get(key, (1, 1))


def _parts(dotted: str) -> Keys:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _inside(name: Keys, counts: dict[Keys, int]) -> Keys:
    """Give a sub-table of an array's last entry that entry's index."""
    for cut in range(len(name), 0, -1):
        if name[:cut] in counts:
            return (*name[:cut], counts[name[:cut]] - 1, *name[cut:])
    return name
