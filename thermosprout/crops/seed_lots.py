"""Seed lots: how much of the seed is alive on a day, how surely, and how much slower it is.

How long seed lives follows the viability equation where its constants are known, else lists.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Literal, get_args

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.errors import InputError
from thermosprout.files import reference_rows
from thermosprout.quantities import FloatArray

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
def _traits(crop: str) -> dict[str, str]:
    return next((row for row in reference_rows("crops.csv") if row["crop"] == crop), {})


def typical_viability(crop: str) -> float:
    """Middle viability of a lot of which nothing is known.

    Halfway between the legal minimum of the kind (7 CFR 201.31, where there is one) and 96 %,
    since lots on sale must reach the minimum and few exceed that (assumption); else 0.82.
    """
    name = _traits(crop).get("standard_name", crop)
    for row in reference_rows("minimum_standards.csv"):
        if row["crop"] == name:
            return (float(row["min_germination_pct"]) / 100.0 + 0.96) / 2.0
    return 0.82


def _storage_conditions(
    crop: str, storage: str | None, storage_c: float | None, moisture_pct: float | None
) -> tuple[float, float]:
    """Temperature [degC] and seed moisture [% fresh weight], measured or typical of the place."""
    oily = _traits(crop).get("oily") == "1"
    where = storage or "kitchen drawer"
    place = next(r for r in reference_rows("seed_storage.csv") if r["storage"] == where)
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
    temperature, moisture = _storage_conditions(crop, storage, storage_c, moisture_pct)
    stated = storage is not None or (storage_c is not None and moisture_pct is not None)
    more = 0.0 if stated else SPREAD_STORAGE
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
    rows = [row for row in reference_rows("viability_constants.csv") if row["crop"] == name]
    full = [row for row in rows if all(row[k] for k in ("KE", "CW", "CH", "CQ"))]
    return min(full, key=lambda row: row["verified"] != "page", default=None)


def _listed_years(crop: str) -> float:
    """Mean of the lists' years of satisfactory storage, read as the years that cost one probit.

    From 90 % to 60 % is one probit: about what the lists call satisfactory (assumption).
    """
    name = _traits(crop).get("longevity_name", crop)
    years = [float(r["years"]) for r in reference_rows("seed_longevity.csv") if r["crop"] == name]
    return float(np.mean(years)) if years else 3.0


Storage = Literal["kitchen drawer", "cool cellar", "fridge with desiccant"]

STORAGES: tuple[str, ...] = get_args(Storage)

PACKET_SEEDS = 60.0
"""A share without counts is taken like a test of this many seeds (assumption)."""

UNKNOWN_SEEDS = 14.0
"""A lot of which nothing is known is taken like a test of this many (assumption)."""

SLOWER_PER_PROBIT = 0.3
"""Rise of ln thermal time to the radicle for each probit of viability below a good fresh lot:
three-year-old beans come a day or two later, all of it before the radicle (assumption from common
practice; fenugreek aged for 35 h had its thermal time rise from 37.5 to 44.7 C d, ln 0.18)."""

MOST_SHIFT = 0.7
"""A lot that would take twice as long hardly comes up at all (assumption)."""

MEASURED_SD = 0.08
"""sd of ln thermal time of a lot whose vigour was measured in a test (assumption)."""

GOOD_LOT_PROBIT = 1.4
"""A good fresh lot: 92 % alive (assumption)."""


@dataclass(frozen=True, kw_only=True)
class SeedLot:
    """One packet or bag of seed.

    Attributes
    ----------
    germination : float or None
        Share on the packet or from a test, between 0 and 1.
    seeds_tested, seeds_germinated : int or None
        Counts of a germination test; they outweigh the bare share. Those germinated follow from
        the share where only the seeds tested are given.
    replicates : tuple of (germinated, tested)
        Counts of each replicate, where a test had several.
    year : int or None
        Year of harvest, or the one the packet says it was packed in.
    tested_on : date or None
        Day of the test; the lot ages from then on, otherwise from the new year after ``year``.
    storage : str or None
        Where it has been kept; unknown is taken as a kitchen drawer, less surely.
    moisture_pct, storage_C : float or None
        Seed moisture [% fresh weight] and temperature [degC] where they were measured.
    slower_pct : float or None
        How much longer than a usual lot it took in a germination test, negative for a quick lot;
        see :meth:`GerminationTest.vigour_shift`. [%]
    dressed : bool
        Treated with a dressing: not to be soaked or handled bare-handed.

    Examples
    --------
    >>> import thermosprout as ts
    >>> ts.SeedLot(id="PAR25", crop="parsnip", germination=0.74, year=2025).germination
    0.74
    """

    id: str
    crop: str
    variety: str | None = None
    germination: float | None = None
    seeds_tested: int | None = None
    seeds_germinated: int | None = None
    replicates: tuple[tuple[int, int], ...] = ()
    year: int | None = None
    tested_on: date | None = None
    storage: Storage | None = None
    moisture_pct: float | None = None
    storage_C: float | None = None
    slower_pct: float | None = None
    dressed: bool = False

    def __post_init__(self) -> None:
        for what, value, low, high, unit in (
            ("germination", self.germination, 0, 1, ""),
            ("moisture", self.moisture_pct, 2, 25, " %"),
            ("storage temperature", self.storage_C, -25, 50, " °C"),
            ("slower_pct", self.slower_pct, -60, 300, " %"),
        ):
            if value is not None and not low <= value <= high:
                raise InputError(
                    f"{what} of seed lot {self.id} is {value:g}{unit}, expected {low} to "
                    f"{high}{unit}",
                    hint="write 85 % as 0.85" if what == "germination" else "",
                )
        if self.storage is not None and self.storage not in STORAGES:
            raise InputError(
                f"storage of seed lot {self.id} is {self.storage!r}, expected one of "
                f"{', '.join(STORAGES)}"
            )
        self._check_counts()
        if self.tested_on is not None and self.year is not None and self.tested_on.year < self.year:
            raise InputError(
                f"seed lot {self.id}: tested_on {self.tested_on.isoformat()} is before the harvest "
                f"of {self.year}"
            )

    def _check_counts(self) -> None:
        """Refuse counts that do not fit, and fill in those that follow from the share."""
        share, germinated, tested = self.germination, self.seeds_germinated, self.seeds_tested
        if germinated is not None and tested is None:
            raise InputError(f"seed lot {self.id}: seeds_germinated needs seeds_tested")
        if tested is not None and germinated is None:
            if share is None:
                raise InputError(
                    f"seed lot {self.id}: seeds_tested needs seeds_germinated or germination"
                )
            germinated = round(share * tested)
            object.__setattr__(self, "seeds_germinated", germinated)
        test = () if tested is None or germinated is None else ((germinated, tested),)
        for alive, seeds in (*self.replicates, *test):
            if seeds <= 0 or not 0 <= alive <= seeds:
                raise InputError(
                    f"seed lot {self.id}: {alive} of {seeds} seeds cannot have germinated"
                )
        for alive, seeds in test:
            if share is not None and abs(share - alive / seeds) > 0.01 + 0.5 / seeds:
                raise InputError(
                    f"seed lot {self.id}: germination is {share:g} but {alive} of {seeds} seeds "
                    "germinated; give one of them"
                )

    @property
    def counts(self) -> tuple[float, float] | None:
        """Germinated and tested seeds, of all replicates together."""
        if self.replicates:
            germinated, tested = zip(*self.replicates, strict=True)
            return float(sum(germinated)), float(sum(tested))
        if self.seeds_tested is None or self.seeds_germinated is None:
            return None
        return float(self.seeds_germinated), float(self.seeds_tested)

    def age_d(self, on: date | None) -> float:
        """Days the lot has aged since its test, or since the new year after its harvest. [d]

        What a packet says holds for the spring after the harvest.
        """
        if on is None:
            return 0.0
        since = self.tested_on
        if since is None and self.year is not None:
            since = date(self.year + 1, 1, 1)
        return float(max(0, (on - since).days)) if since is not None else 0.0


def lot_or_test(
    lot: str | SeedLot, crop: str, germination: float | None, seeds_tested: int | None
) -> str | SeedLot:
    """Lot as named, or seed of which nothing is known but a germination test or the packet's share.

    Raises
    ------
    InputError
        When the figures cannot be right, or stand beside a lot that has its own.
    """
    if lot:
        if germination is not None or seeds_tested is not None:
            raise InputError(
                "a lot has a germination test of its own",
                hint="leave out the lot, or the germination and the seeds tested",
            )
        return lot
    if germination is None:
        if seeds_tested is not None:
            raise InputError("seeds were tested, but no share germinated is named")
        return ""
    return SeedLot(id="as given", crop=crop, germination=germination, seeds_tested=seeds_tested)


def viability_draws(
    lot: SeedLot, crop: Crop, size: int, rng: np.random.Generator, on: date | None = None
) -> FloatArray:
    """Draw the share of living seed in a lot on a day.

    Parameters
    ----------
    on : date, optional
        Day of sowing; without it the lot does not age.

    Returns
    -------
    ndarray, shape (size,)
        In (0, 1). Beta posterior of the test (Jeffreys prior), aged on the probit scale.

    Notes
    -----
    Ellis & Roberts (1980), Ann. Bot. 45:13-30: probit of viability falls in a straight line with
    time in store.
    """
    from thermosprout.special import ndtr, ndtri

    fresh = _fresh_draws(lot, crop, size, rng)
    lost = _probits_lost(lot, crop, size, rng, on)
    return np.asarray(np.clip(ndtr(ndtri(fresh) - lost), 1e-6, 1.0 - 1e-6))


def _fresh_draws(lot: SeedLot, crop: Crop, size: int, rng: np.random.Generator) -> FloatArray:
    """Draw the living share of a lot when it was tested, short of none and of all."""
    return np.clip(rng.beta(*_beta_counts(lot, crop.name), size), 1e-4, 1.0 - 1e-4)


def _probits_lost(
    lot: SeedLot, crop: Crop, size: int, rng: np.random.Generator, on: date | None
) -> FloatArray:
    """Draw the probits of viability lost since the test or the harvest, shape (size,)."""
    age = lot.age_d(on)
    per_probit, spread = ageing(crop.name, lot.storage, lot.storage_C, lot.moisture_pct)
    days = per_probit * np.exp(spread * rng.standard_normal(size))
    return np.asarray(np.minimum(age / days, 8.0))


def ln_time_shift_draws(
    lot: SeedLot, crop: Crop, size: int, rng: np.random.Generator, on: date | None = None
) -> FloatArray:
    """Draw how much ln thermal time rises because the lot is old or weak, shape (size,).

    From its measured vigour where there is one, else from its test and its age. Zero for a good
    fresh lot; what is known only of the crop has no shift either, as the crop's
    own spread holds the differences between lots.
    """
    from thermosprout.special import ndtri

    aged = _probits_lost(lot, crop, size, rng, on)
    slope = SLOWER_PER_PROBIT * np.exp(0.5 * rng.standard_normal(size))
    if lot.slower_pct is not None:
        shift = float(np.log1p(lot.slower_pct / 100.0)) + MEASURED_SD * rng.standard_normal(size)
        return np.asarray(np.minimum(shift + slope * aged, MOST_SHIFT))
    weak = np.zeros(size)
    if lot.counts is not None or lot.germination is not None:
        weak = np.clip(GOOD_LOT_PROBIT - ndtri(_fresh_draws(lot, crop, size, rng)), 0.0, None)
    return np.asarray(np.minimum(slope * (aged + weak), MOST_SHIFT))


def viability_interval(
    lot: SeedLot,
    crop: Crop,
    rng: np.random.Generator,
    *,
    probability: float = 0.9,
    on: date | None = None,
) -> tuple[float, float, float]:
    """Low, middle and high viability of a lot on a day, as shares."""
    draws = viability_draws(lot, crop, 4000, rng, on)
    tail = (1.0 - probability) / 2.0
    low, middle, high = np.quantile(draws, [tail, 0.5, 1.0 - tail])
    return float(low), float(middle), float(high)


def _beta_counts(lot: SeedLot, crop: str) -> tuple[float, float]:
    """Parameters of the beta posterior of the lot's viability when it was tested."""
    counts = lot.counts
    if counts is not None:
        germinated, tested = counts
        shrink = 1.0 / overdispersion(lot.replicates)
        return germinated * shrink + 0.5, (tested - germinated) * shrink + 0.5
    if lot.germination is not None:
        share = lot.germination
        return share * PACKET_SEEDS + 0.5, (1.0 - share) * PACKET_SEEDS + 0.5
    share = typical_viability(crop)
    return share * UNKNOWN_SEEDS, (1.0 - share) * UNKNOWN_SEEDS


def viability_prior(crop: str, lot: SeedLot | None = None) -> tuple[float, float]:
    """Middle of a lot's viability, and the sd of its logit, from a test or a packet.

    Parameters
    ----------
    lot : SeedLot, optional
        Without one, or without figures of its own, a usual lot of the crop.

    Returns
    -------
    tuple of float
        Share alive and sd of its logit: that of the beta's (Abramowitz & Stegun 1964, 6.4.1, the
        variance of ln of a gamma is the trigamma function).
    """
    from scipy.special import polygamma

    alive, dead = _beta_counts(lot or SeedLot(id="", crop=crop), crop)
    sd = float(np.sqrt(polygamma(1, alive) + polygamma(1, dead)))
    return float(alive / (alive + dead)), sd


def overdispersion(replicates: tuple[tuple[int, int], ...]) -> float:
    """How many times more than chance the replicates differ (Pearson), at least 1."""
    if len(replicates) < 2:
        return 1.0
    germinated, tested = np.array(replicates, dtype=float).T
    share = germinated.sum() / tested.sum()
    if share in (0.0, 1.0):
        return 1.0
    pearson = np.sum((germinated - tested * share) ** 2 / (tested * share * (1.0 - share)))
    return float(max(1.0, pearson / (len(replicates) - 1)))
