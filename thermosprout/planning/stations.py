"""Seeds per station: how many to drop so that few stations stay empty."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from thermosprout.crops.crop import Crop, cautions
from thermosprout.emergence.treatments import Treatment
from thermosprout.emergence.weighted_draws import odds
from thermosprout.errors import InputError
from thermosprout.planning.options import option_named
from thermosprout.quantities import FloatArray
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, rounded
from thermosprout.season.setting import Question
from thermosprout.special import bdtrc

MOST_PER_STATION = 50

MANY_SEEDS = 6
"""More seeds than this in a station say something about the lot (common practice, no source)."""

SECONDS_PER_THINNED_PLANT = 4.0
"""Pulling one surplus seedling, with the walk along the row (common practice, no source). [s]"""


def filled_share(share: FloatArray, rho: FloatArray, seeds: int) -> FloatArray:
    """Share of stations filled when the emergence of stations varies as a beta variable.

    Parameters
    ----------
    share, rho : ndarray, shape (draw,)
        Mean share, and the correlation of the fates of two seeds of a station.
    seeds : int
        Seeds in a station.

    Returns
    -------
    ndarray, shape (draw,)
        One minus the zero term of the beta-binomial, ``B(a, b + n) / B(a, b)``.
    """
    p = np.clip(np.asarray(share, dtype=float), 0.0, 1.0)
    r = np.asarray(rho, dtype=float)
    order = np.arange(seeds).reshape((-1,) + (1,) * p.ndim)
    with np.errstate(divide="ignore"):
        factors = np.log(((1.0 - p) * (1.0 - r) + order * r) / (1.0 - r + order * r))
    return np.asarray(-np.expm1(factors.sum(axis=0)))


def _enough_filled_odds(filled: FloatArray, stations: int, target: float) -> FloatArray:
    """Odds that a share of the stations is filled: each on its own, with odds of (draw,)."""
    least = np.ceil(target * stations - 1e-9)
    return np.asarray(bdtrc(least - 1, stations, np.clip(filled, 0.0, 1.0)))


@dataclass(frozen=True, kw_only=True)
class StationChoice:
    """One number of seeds per station and what comes of it.

    Attributes
    ----------
    filled : dict
        p10, p50, p90 of the share of stations with at least one plant, over what is not known
        of lot and bed.
    odds_reached : float
        Odds that enough of the stations are filled: over what is not known of lot and bed, and
        over the luck of so many stations.
    plants_per_station, surplus_per_station : float
        Expected plants, and those to thin.
    """

    seeds: int
    filled: dict[str, float]
    odds_reached: float
    plants_per_station: float
    surplus_per_station: float
    seeds_in_all: int
    thinning_minutes: float


@dataclass(frozen=True, kw_only=True)
class StationsAnswer:
    """Numbers of seeds per station side by side, and what they stand on.

    Attributes
    ----------
    target_filled, confidence : float
        Share of the stations to have a plant, and the odds of it.
    emergence : dict
        p10, p50, p90 of the share of the seeds planted that emerges.
    chosen : StationChoice or None
        None where no number of seeds is enough.
    crop : Crop or None
        None where seed is not named.
    """

    target_filled: float
    confidence: float
    stations: int
    emergence: dict[str, float]
    choices: tuple[StationChoice, ...]
    chosen: StationChoice | None
    crop: Crop | None = None
    soil: str | None = None
    lot: str | None = None
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def to_dict(self) -> Document:
        """Return the JSON document."""
        return {
            "crop": self.crop.name if self.crop else "seed",
            "called": self.crop.common_name if self.crop else "seed",
            "lot": self.lot,
            "stations": self.stations,
            "share_wanted": self.target_filled,
            "odds_wanted": self.confidence,
            "emergence": rounded(self.emergence, 3),
            "soil": {"source": self.soil},
            "choices": [self._choice(choice) for choice in self.choices],
            "seeds_per_station": self.chosen.seeds if self.chosen else None,
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }

    def _choice(self, choice: StationChoice) -> Document:
        per_g = self.crop.practice.seeds_per_g if self.crop else None
        return {
            "seeds_per_station": choice.seeds,
            "stations_filled": rounded(choice.filled, 4),
            "odds_reached": round(choice.odds_reached, 3),
            "plants_per_station": round(choice.plants_per_station, 2),
            "to_thin_per_station": round(choice.surplus_per_station, 2),
            "thinning_minutes": round(choice.thinning_minutes, 1),
            "seeds_in_all": choice.seeds_in_all,
            "grams": round(choice.seeds_in_all / per_g, 2) if per_g else None,
        }


def plan_stations(
    share: FloatArray,
    *,
    stations: int,
    target_filled: float = 0.95,
    confidence: float = 0.8,
    rho: FloatArray | None = None,
) -> StationsAnswer:
    """Choose the seeds per station.

    Parameters
    ----------
    share : ndarray, shape (draw,)
        Share of the seeds planted that emerge: viability times what the seedbed lets through.
    stations : int
        Stations in the row.
    target_filled : float
        Share of the stations to have at least one plant.
    confidence : float
        Odds of reaching that share.
    rho : ndarray, shape (draw,), optional
        Correlation of the fates of two seeds of one station; zero when absent.

    Raises
    ------
    InputError
        When a share makes no sense.
    """
    if not 0 < target_filled < 1:
        raise InputError(
            f"a share of {target_filled:g} of the stations, expected above 0 and below 1",
            hint="no number of seeds fills every station for certain: ask for 0.95, for example",
        )
    if not 0 < confidence < 1:
        raise InputError(f"odds of {confidence:g}, expected above 0 and below 1")
    odds_of = np.full(share.size, 1.0 / share.size)
    together = np.zeros(share.size) if rho is None else rho
    mean_share = float(odds_of @ share)
    choices: list[StationChoice] = []
    fewest: StationChoice | None = None
    for seeds in range(1, MOST_PER_STATION + 1):
        filled = filled_share(share, together, seeds)
        # Rounding leaves a single seed a hair below zero.
        surplus = max(seeds * mean_share - float(odds_of @ filled), 0.0)
        choice = StationChoice(
            seeds=seeds,
            filled=odds(filled, odds_of),
            odds_reached=float(odds_of @ _enough_filled_odds(filled, stations, target_filled)),
            plants_per_station=seeds * mean_share,
            surplus_per_station=surplus,
            seeds_in_all=seeds * stations,
            thinning_minutes=surplus * stations * SECONDS_PER_THINNED_PLANT / 60.0,
        )
        choices.append(choice)
        if fewest is None and choice.odds_reached >= confidence:
            fewest = choice
        if fewest is not None and seeds >= fewest.seeds + 1:
            break
    return StationsAnswer(
        target_filled=target_filled,
        confidence=confidence,
        stations=stations,
        emergence=odds(share, odds_of),
        choices=tuple(choices),
        chosen=fewest,
        notes=_why_so_many(fewest),
    )


def _why_so_many(chosen: StationChoice | None) -> tuple[str, ...]:
    """Why so many seeds are needed, where they are."""
    if chosen is not None and chosen.seeds <= MANY_SEEDS:
        return ()
    many = "So many seeds are needed" if chosen else f"Even {MOST_PER_STATION} seeds are too few"
    sentence = (
        f"{many} because few may come up: test the lot (count 100 seeds on moist paper), or try "
        "another lot or another day."
    )
    return (sentence,)


def seeds_per_station(
    context: Context,
    question: Question,
    *,
    stations: int = 100,
    filled: float = 0.95,
    confidence: float = 0.8,
    treatment: str = "direct",
    planted: date | None = None,
) -> StationsAnswer:
    """Choose the seeds per station for one sowing.

    Parameters
    ----------
    stations : int
        Stations in the row.
    filled, confidence : float
        Share of them to have a plant, and the odds of it.
    treatment : str
        ``direct``, ``soaked`` or ``presprouted``, as the crop usually is.
    planted : date, optional
        Day of planting; the day the bed is free when absent, else today.

    Raises
    ------
    InputError
        When something is named that is not known.
    """
    case, planted_h = context.case(question), context.planting_h(planted, question.bed)
    setting = context.setting(case, planted_h)
    option = option_named(case.crop, treatment, dressed=case.dressed)
    row = setting.forecast(option.handling, planted_h, seeds=stations)
    plan = plan_stations(
        row.share,
        stations=stations,
        target_filled=filled,
        confidence=confidence,
        rho=setting.draws.values["plot_stand_rho"],
    )
    notes = (*plan.notes, setting.water)
    if option.handling.treatment is Treatment.PRESPROUTED:
        notes = ("Sprouted seed: the numbers are of sprouted seeds planted.", *notes)
    return replace(
        plan,
        crop=case.crop,
        soil=setting.soil,
        lot=question.lot_name,
        notes=notes,
        cautions=cautions([case.crop], [treatment], dressed=case.dressed or None),
    )


def seeds_at_emergence(
    emergence: float,
    *,
    crop: Crop | None = None,
    lot: str | None = None,
    stations: int = 100,
    filled: float = 0.95,
    confidence: float = 0.8,
) -> StationsAnswer:
    """Choose the seeds per station where the share that emerges is known.

    Raises
    ------
    InputError
        When the share is none.
    """
    if not 0 < emergence <= 1:
        raise InputError(
            f"an emergence of {emergence:g}, expected above 0 and up to 1",
            hint="write 70 % as 0.7",
        )
    plan = plan_stations(
        np.full(1, emergence), stations=stations, target_filled=filled, confidence=confidence
    )
    kinds = [crop] if crop else []
    return replace(plan, crop=crop, lot=lot, cautions=cautions(kinds, ["direct"]))
