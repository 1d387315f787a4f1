"""The catalogue: crops fitted from published tables, found by any of their names."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType
from typing import Any

import numpy as np

from thermosprout.crops.crop import Crop, Practice, Season, SeedSize
from thermosprout.crops.estimate import NAMES, Estimate, Provenance
from thermosprout.errors import InputError
from thermosprout.files import reference_file, reference_rows

CATALOGUE_FILE = "catalogue.json"
"""Result of ``python -m reference_data.build.catalogue``, kept in ``reference_data``."""


@cache
def catalogue() -> Mapping[str, Crop]:
    """All crops by name, in alphabetical order.

    Returns
    -------
    mapping of str to Crop
        Read once; the committed file is the result of fitting the published tables.
    """
    return MappingProxyType({name: _crop(name) for name in _entries()})


@cache
def _entries() -> Mapping[str, Mapping[str, Any]]:
    """Entries of the catalogue file by name, in alphabetical order."""
    document = json.loads(reference_file(CATALOGUE_FILE).read_text(encoding="utf-8"))
    entries = {entry["name"]: entry for entry in document["crops"]}
    return MappingProxyType(dict(sorted(entries.items())))


@cache
def _crop(name: str, alias: str = "") -> Crop:
    """Crop of the catalogue's own name; a season of few crops builds few."""
    return replace(_crop(name), alias=alias) if alias else crop_from_document(_entries()[name])


@cache
def _names() -> Mapping[str, tuple[str, str]]:
    """Crop and alias by each folded name; the alias is empty where the name is the crop's own."""
    names: dict[str, tuple[str, str]] = {}
    for crop, entry in _entries().items():
        for name in (crop, entry["latin_name"]):
            names.setdefault(_folded(name), (crop, ""))
        for alias in entry["aliases"]:
            names.setdefault(_folded(alias), (crop, alias))
    return MappingProxyType(names)


def _folded(name: str) -> str:
    return " ".join(name.replace("-", " ").replace("_", " ").casefold().split())


def find_crop(name: str) -> Crop:
    """Find a crop by its name, one of its aliases, its Latin name, or the plural of one.

    Parameters
    ----------
    name : str
        Upper and lower case, hyphens and doubled blanks do not matter.

    Raises
    ------
    InputError
        When the catalogue has no such crop; names what comes near.
    """
    names, target = _names(), _folded(name)
    for candidate in (target, target.removesuffix("s"), target.removesuffix("es")):
        if candidate and candidate in names:
            return _crop(*names[candidate])
    # The Latin name without the cultivar group.
    latin = {crop.name: crop.latin_name.partition(" (")[0] for crop in catalogue().values()}
    species = [name for name, of in latin.items() if _folded(of) == target]
    if len(species) == 1:
        return catalogue()[species[0]]
    if species:
        raise InputError(
            f"{name!r} is the species of several crops: {', '.join(species)}",
            hint="name one of them",
        )
    near = difflib.get_close_matches(target, list(names), n=3, cutoff=0.65)
    likeness = [difflib.SequenceMatcher(None, alias, target).ratio() for alias in near]
    closest = max(likeness, default=0.0) - 0.05
    near = [alias for alias, like in zip(near, likeness, strict=True) if like > closest]
    if not near:
        near = [alias for alias in names if target and target in alias][:3]
    if near:
        meant = list(dict.fromkeys(names[alias][0] for alias in near))
        raise InputError(f"there is no crop {name!r}; did you mean {' or '.join(meant)}?")
    raise InputError(
        f"there is no crop {name!r} in the catalogue", hint="`thermosprout crops` lists them"
    )


def search_crops(text: str) -> tuple[Crop, ...]:
    """Crops with ``text`` in their name, an alias or the Latin name."""
    target = _folded(text)
    return tuple(
        crop
        for crop in catalogue().values()
        if any(target in _folded(name) for name in (crop.name, *crop.aliases, crop.latin_name))
    )


def crop_from_document(entry: Mapping[str, Any]) -> Crop:
    """Build a crop from its entry in the catalogue file."""
    stored = entry["estimate"]
    covariance = np.zeros((len(NAMES), len(NAMES)))
    for row, column, value in stored["covariance"]:
        i, j = NAMES.index(row), NAMES.index(column)
        covariance[i, j] = covariance[j, i] = value
    estimate = Estimate(
        crop=entry["name"],
        mean=np.array([stored["mean"][name] for name in NAMES], dtype=float),
        covariance=covariance,
        provenance=tuple(Provenance(**item) for item in entry["provenance"]),
    )
    plain = {
        key: value
        for key, value in entry.items()
        if key not in ("estimate", "provenance", "practice", "aliases", "cautions")
    }
    return Crop(
        **plain,
        aliases=tuple(entry["aliases"]),
        cautions=tuple(entry["cautions"]),
        practice=Practice(**entry["practice"]),
        estimate=estimate,
    )


def generic_crop(name: str, *, season: Season, seed_size: SeedSize) -> Crop:
    """Stand-in for a crop the catalogue lacks: a wide prior for records to narrow.

    Parameters
    ----------
    name : str
        What the grower calls it.
    season : {"cool", "warm"}
        Whether it is sown in cool or in warm soil.
    seed_size : {"small", "medium", "large"}
        Like lettuce, like beet, like bean.
    """
    name, kind = " ".join(name.split()), (season, seed_size)
    alike = [c.estimate for c in catalogue().values() if (c.season, c.seed_size) == kind]
    means = np.array([estimate.mean for estimate in alike])
    within = np.mean([np.diag(estimate.covariance) for estimate in alike], axis=0)
    wide = np.diag(Estimate.generic(name).covariance)
    spread = np.maximum(wide, within + means.var(axis=0))
    base = float(means[:, NAMES.index("t_base_C")].mean())
    source = f"wide generic prior: {season}-season, {seed_size} seed; not this crop's own figures"
    return Crop(
        name=name,
        latin_name="",
        response="beta",
        response_reason="generic: the smooth curve fits most crops of the catalogue",
        estimate=Estimate(
            crop=name,
            mean=means.mean(axis=0),
            covariance=np.diag(spread),
            provenance=(Provenance(what="all parameters", source=source, verified="assumption"),),
        ),
        stand_low_C=base + 2.0,
        stand_low_width_C=2.0,
        stand_high_C=34.0 if season == "cool" else 39.0,
        stand_high_width_C=2.0,
        chilling_sensitive=season == "warm" and seed_size == "large",
        chilling_limit_C=12.0,
        harmed_by_soaking=seed_size == "large",
        safe_soak_h=8.0 if seed_size == "large" else 24.0,
        tender=season == "warm",
        season=season,
        seed_size=seed_size,
    )


HANDLING_FILE = "handling_effects.csv"
"""Result of ``python -m reference_data.build.handling``, kept in ``reference_data``."""

EVIDENCE_FILE = "presowing_evidence.csv"
"""Published results, one a row; see ``reference_data/SOURCES.md``."""

_OF_HANDLING = {
    "soaking": ("soak_credit", "soak_stand"),
    "sprouting": ("handling_delay_Cd", "sprout_stand"),
}


@dataclass(frozen=True, kw_only=True)
class HandlingEvidence:
    """Published results behind what one handling of one crop brings.

    Attributes
    ----------
    handling : str
        ``soaking`` or ``sprouting``.
    grade : str
        ``measured``, ``relatives`` or ``all crops``.
    sources, field_sources : int
        Works with a result, and those of them with one in the field.
    relatives : tuple of str
        Crops that stand in where the crop itself was not measured.
    """

    crop: str
    handling: str
    grade: str
    sources: int
    field_sources: int
    relatives: tuple[str, ...] = ()

    def sentence(self) -> str:
        """Say what the figures rest on, in one line."""
        what = self.handling.capitalize()
        if self.grade == "measured":
            works = "1 published work" if self.sources == 1 else f"{self.sources} published works"
            return f"{what}: measured for {self.crop} in {works}, {self._field()}."
        if self.grade == "relatives":
            return (
                f"{what}: no measurement for {self.crop}; taken from its relatives "
                f"({', '.join(self.relatives)})."
            )
        return (
            f"{what}: no measurement for {self.crop} or its relatives; taken from other crops, "
            "with a wide range."
        )

    def _field(self) -> str:
        if not self.field_sources:
            return "not in the field" if self.sources == 1 else "none of them in the field"
        if self.field_sources == self.sources:
            return "in the field" if self.sources == 1 else "all in the field"
        return f"{self.field_sources} of them in the field"


@cache
def _table() -> dict[tuple[str, str], dict[str, str]]:
    return {(row["crop"], row["parameter"]): row for row in reference_rows(HANDLING_FILE)}


def handling_evidence(crop: str, handling: str) -> HandlingEvidence:
    """Evidence on ``soaking`` or ``sprouting`` of a crop of the catalogue, or of another one.

    Time and stand count together: what either was measured in.
    """
    rows = [
        row for name in _OF_HANDLING[handling] if (row := _table().get((crop, name))) is not None
    ]
    for grade in ("measured", "relatives"):
        mine = [row for row in rows if row["grade"] == grade]
        if mine:
            return HandlingEvidence(
                crop=crop,
                handling=handling,
                grade=grade,
                sources=len(_listed(mine, "source_ids")),
                field_sources=len(_listed(mine, "field_ids")),
                relatives=tuple(sorted(_listed(mine, "relatives"))),
            )
    return HandlingEvidence(
        crop=crop, handling=handling, grade="all crops", sources=0, field_sources=0
    )


def _listed(rows: list[dict[str, str]], column: str) -> set[str]:
    """All entries of a column of lists."""
    return {one for row in rows for one in row[column].split(";") if one}
