"""The catalogue: crops fitted from published tables, found by any of their names."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from functools import cache
from types import MappingProxyType
from typing import Any

import numpy as np

from thermosprout.crops.crop import Crop, Practice, Season, SeedSize
from thermosprout.crops.estimate import Estimate, Provenance
from thermosprout.crops.parameters import NAMES
from thermosprout.errors import InputError
from thermosprout.reference import reference_file

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
    document = json.loads(reference_file(CATALOGUE_FILE).read_text(encoding="utf-8"))
    crops = {entry["name"]: crop_from_document(entry) for entry in document["crops"]}
    return MappingProxyType(dict(sorted(crops.items())))


@cache
def _names() -> Mapping[str, str]:
    """Every name a crop answers to, in folded form, and the catalogue's name for it."""
    known: dict[str, str] = {}
    for crop in catalogue().values():
        for name in (crop.name, *crop.aliases, crop.latin_name):
            known.setdefault(_folded(name), crop.name)
    return MappingProxyType(known)


def _species(crop: Crop) -> str:
    """Latin name without the cultivar group."""
    return crop.latin_name.partition(" (")[0]


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
    known, wanted = _names(), _folded(name)
    for candidate in (wanted, wanted.removesuffix("s"), wanted.removesuffix("es")):
        if candidate and candidate in known:
            return catalogue()[known[candidate]]
    species = [c.name for c in catalogue().values() if _folded(_species(c)) == wanted]
    if len(species) == 1:
        return catalogue()[species[0]]
    if species:
        raise InputError(
            f"{name!r} is the species of several crops: {', '.join(species)}",
            hint="name one of them",
        )
    near = difflib.get_close_matches(wanted, list(known), n=3, cutoff=0.65)
    likeness = [difflib.SequenceMatcher(None, alias, wanted).ratio() for alias in near]
    closest = max(likeness, default=0.0) - 0.05
    near = [alias for alias, like in zip(near, likeness, strict=True) if like > closest]
    if not near:
        near = [alias for alias in known if wanted and wanted in alias][:3]
    if near:
        meant = list(dict.fromkeys(known[alias] for alias in near))
        raise InputError(f"there is no crop {name!r}; did you mean {' or '.join(meant)}?")
    raise InputError(
        f"there is no crop {name!r} in the catalogue", hint="`thermosprout crops` lists them"
    )


def search_crops(text: str) -> tuple[Crop, ...]:
    """Crops with ``text`` in their name, an alias or the Latin name."""
    wanted = _folded(text)
    return tuple(
        crop
        for crop in catalogue().values()
        if any(wanted in _folded(name) for name in (crop.name, *crop.aliases, crop.latin_name))
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
    alike = [
        crop
        for crop in catalogue().values()
        if crop.season == season and crop.seed_size == seed_size
    ]
    estimate = Estimate.generic(name)
    means = np.array([crop.estimate.mean for crop in alike])
    within = np.mean([np.diag(crop.estimate.covariance) for crop in alike], axis=0)
    between = means.var(axis=0)
    spread = np.maximum(np.diag(estimate.covariance), within + between)
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
