"""How long seed lives: the viability equation where its constants are known, else lists."""

from __future__ import annotations

import csv
from functools import cache

import numpy as np

from thermosprout.reference import reference_file

YEAR_D = 365.25

SPREAD_PAGE = 0.5
"""sd of ln days per probit where the constants were read in print: lots of one crop differ."""

SPREAD_MEMORY = 0.55
"""The same where the constants are recalled only."""

SPREAD_LISTS = 0.6
"""The same where only lists of years are known: the lists differ among themselves by 0.25 (sd of
ln years within a crop), and lots of one crop as above."""

SPREAD_STORAGE = 0.4
"""More, where neither temperature and moisture nor the place of storage is known."""

LIST_STORE = (20.0, 10.3, 6.4)
"""Dry storage in the house that the lists stand for (assumption): degC, %, %."""

COMMON = (0.0322, 0.000454)
"""Temperature coefficients common to twelve crops (Ellis & Hong 2007, read in print)."""

COMMON_CW = 4.9
"""Moisture coefficient, middle of those of Ellis & Hong (2007)."""

DRIEST_PCT = {True: 3.5, False: 5.0}
"""Drying further than this gains nothing (assumption after Ellis, Hong & Roberts 1989)."""


@cache
def _rows(table: str) -> tuple[dict[str, str], ...]:
    with reference_file(table).open(encoding="utf-8", newline="") as stream:
        return tuple(csv.DictReader(stream))


@cache
def _traits(crop: str) -> dict[str, str]:
    return next((row for row in _rows("crops.csv") if row["crop"] == crop), {})


def typical_viability(crop: str) -> float:
    """Middle viability of a lot of which nothing is known.

    Halfway between the legal minimum of the kind (7 CFR 201.31, where there is one) and 96 %,
    since lots on sale must reach the minimum and few exceed that (assumption); else 0.82.
    """
    name = _traits(crop).get("standard_name", crop)
    found = [
        float(row["min_germination_pct"]) / 100.0
        for row in _rows("minimum_standards.csv")
        if row["crop"] == name
    ]
    return (found[0] + 0.96) / 2.0 if found else 0.82


def storage_conditions(
    crop: str, storage: str | None, storage_c: float | None, moisture_pct: float | None
) -> tuple[float, float]:
    """Temperature [degC] and seed moisture [% fresh weight], measured or typical of the place."""
    oily = _traits(crop).get("oily") == "1"
    place = next(
        r for r in _rows("seed_storage.csv") if r["storage"] == (storage or "kitchen drawer")
    )
    usual = float(place["moisture_oily_pct" if oily else "moisture_starchy_pct"])
    temperature = float(place["temperature_C"]) if storage_c is None else storage_c
    moisture = usual if moisture_pct is None else moisture_pct
    return temperature, max(moisture, DRIEST_PCT[oily])


def ageing(
    crop: str, storage: str | None, storage_c: float | None, moisture_pct: float | None
) -> tuple[float, float]:
    """Days in store that cost one probit of viability, and the sd of their ln.

    Parameters
    ----------
    crop : str
        Name in the catalogue; unknown names are taken as middling crops.
    storage, storage_c, moisture_pct : str, float, float or None
        Place, temperature [degC] and moisture [% fresh weight].

    Returns
    -------
    tuple of float
        Days per probit [d] and sd of ln days.

    Notes
    -----
    Ellis & Roberts (1980), Ann. Bot. 45:13-30, improved viability equation:
    ``log10 sigma = KE - CW log10 m - CH t - CQ t^2`` with sigma in days per probit.
    """
    temperature, moisture = storage_conditions(crop, storage, storage_c, moisture_pct)
    known = storage is not None or (storage_c is not None and moisture_pct is not None)
    more = 0.0 if known else SPREAD_STORAGE
    constants = _constants(crop)
    if constants is not None:
        ke, cw, ch, cq = (float(constants[name]) for name in ("KE", "CW", "CH", "CQ"))
        log_days = ke - cw * np.log10(moisture) - ch * temperature - cq * temperature**2
        spread = SPREAD_PAGE if constants["verified"] == "page" else SPREAD_MEMORY
        return float(10**log_days), float(np.hypot(spread, more))
    ch, cq = COMMON
    warm, starchy, oily = LIST_STORE
    usual = oily if _traits(crop).get("oily") == "1" else starchy
    log_days = (
        np.log10(_listed_years(crop) * YEAR_D)
        + COMMON_CW * (np.log10(usual) - np.log10(moisture))
        + ch * (warm - temperature)
        + cq * (warm**2 - temperature**2)
    )
    return float(10**log_days), float(np.hypot(SPREAD_LISTS, more))


def _constants(crop: str) -> dict[str, str] | None:
    """Full set of constants of a crop, one read in print before one recalled."""
    name = _traits(crop).get("viability_name", crop)
    full = [
        row
        for row in _rows("viability_constants.csv")
        if row["crop"] == name and all(row[k] for k in ("KE", "CW", "CH", "CQ"))
    ]
    full.sort(key=lambda row: row["verified"] != "page")
    return full[0] if full else None


def _listed_years(crop: str) -> float:
    """Mean of the lists' years of satisfactory storage, read as the years that cost one probit.

    From 90 % to 60 % is one probit: about what the lists call satisfactory (assumption).
    """
    name = _traits(crop).get("longevity_name", crop)
    years = [float(r["years"]) for r in _rows("seed_longevity.csv") if r["crop"] == name]
    return float(np.mean(years)) if years else 3.0
