"""Invented trials, drawn seed by seed, that share no code and no assumption with the package.

Times are gamma, log-logistic, log-normal or come in two flushes; plots differ with light or heavy
tails; plots are lost and looks are missed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

Law = Literal["log-normal", "gamma", "log-logistic", "two flushes"]


@dataclass(frozen=True, kw_only=True)
class Handling:
    """What one treatment does in truth.

    Attributes
    ----------
    label : str
    law : str
        Of the days from planting to emergence among seeds of one plot.
    half_d : float
        Median of the law (of its first flush where there are two). [d]
    spread : float
        Coefficient of variation of the times, about.
    stand : float
        Share of the seeds that emerges.
    speed_sd, stand_sd : float
        Scatter of plots: of ln time, and of the logit of the stand.
    heavy : bool
        Whether plots scatter with the tails of Student's t with 3 degrees of freedom.
    second : float
        Share of the seedlings in the second flush, ``later_d`` after the first. [d]
    """

    label: str
    law: Law = "log-normal"
    half_d: float = 12.0
    spread: float = 0.2
    stand: float = 0.75
    speed_sd: float = 0.06
    stand_sd: float = 0.3
    heavy: bool = False
    second: float = 0.4
    later_d: float = 9.0


def emergence_days(rng: np.random.Generator, handling: Handling, size: int) -> np.ndarray:
    """Days from planting to emergence of seeds that emerge, in a plot of no luck of its own."""
    if handling.law == "gamma":
        shape = handling.spread**-2
        # Median of a gamma by Wilson & Hilferty (1931), good to 0.1 % for these shapes.
        scale = handling.half_d / (shape * (1.0 - 1.0 / (9.0 * shape)) ** 3)
        return rng.gamma(shape, scale, size)
    if handling.law == "log-logistic":
        uniform = rng.random(size)
        slope = np.pi / (np.sqrt(3.0) * handling.spread)
        return np.asarray(handling.half_d * (uniform / (1.0 - uniform)) ** (1.0 / slope))
    days = handling.half_d * np.exp(handling.spread * rng.standard_normal(size))
    if handling.law == "two flushes":
        days = days + handling.later_d * (rng.random(size) < handling.second)
    return np.asarray(days)


def simulate_trial(
    rng: np.random.Generator,
    handlings: Sequence[Handling],
    *,
    blocks: int = 4,
    seeds: int | Sequence[int] = 50,
    looks: Sequence[float] = tuple(range(4, 41)),
    varieties: Sequence[str] = ("",),
    gains_d: dict[tuple[str, str], float] | None = None,
    block_sd: float = 0.05,
    lost: float = 0.0,
    missed: float = 0.0,
) -> pd.DataFrame:
    """Records of one trial in randomised blocks, as the reader hands them on.

    Parameters
    ----------
    looks : sequence of float
        Days since planting at which plots are counted. [d]
    seeds : int or sequence of int
        A plot; drawn from the sequence when there are several.
    gains_d : dict, optional
        Days that (variety, treatment) comes sooner than the treatment does elsewhere. [d]
    lost, missed : float
        Chance that a plot is lost, and that one look at a plot is missed.
    """
    planted = pd.Timestamp("2026-04-20T12:00")
    rows: list[dict[str, object]] = []
    for variety in varieties:
        for block in range(blocks):
            slope = block_sd * rng.standard_normal(2)
            for handling in handlings:
                if rng.random() < lost:
                    continue
                number = int(rng.choice(np.atleast_1d(np.asarray(seeds))))
                luck = rng.standard_t(3, 2) / np.sqrt(3.0) if handling.heavy else rng.normal(size=2)
                logit = np.log(handling.stand / (1.0 - handling.stand))
                logit += handling.stand_sd * luck[0] + 4.0 * slope[0]
                live = rng.random(number) < 1.0 / (1.0 + np.exp(-logit))
                days = emergence_days(rng, handling, number)
                days = days - (gains_d or {}).get((variety, handling.label), 0.0)
                days = np.where(live, days * np.exp(handling.speed_sd * luck[1] + slope[1]), np.inf)
                counted = [day for day in looks if rng.random() >= missed] or [looks[-1]]
                name = f"{variety}{'ABCDEFGHIJKLMNOPQRST'[block]}-{handling.label}"
                rows += [
                    {
                        "plot": name, "block": "ABCDEFGHIJKLMNOPQRST"[block], "variety": variety,
                        "treatment": handling.label, "seeds_planted": number,
                        "inspected": planted + pd.Timedelta(days=day),
                        "emerged": int((days <= day).sum()),
                    }
                    for day in counted
                ]  # fmt: skip
    frame = pd.DataFrame(rows)
    frame["inspected"] = frame["inspected"].astype("datetime64[ns]")
    return frame.assign(
        seed_lot="", started=planted, planted=planted, seeds_started=frame["seeds_planted"],
        depth_cm=2.0, temperature_C=np.nan, first_harvest=pd.NaT, started_local="",
        planted_local="", inspected_local="", stations_filled=np.nan, note="", observer="",
        entered=pd.NaT,
    )  # fmt: skip
