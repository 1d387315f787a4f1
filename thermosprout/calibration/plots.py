"""The plots of a fit: what was sown where, and what was counted, without files or tables."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.crops.crop import Crop
from thermosprout.emergence.counts import increments
from thermosprout.emergence.treatments import TABLE_DEPTH_CM, Handling, Treatment
from thermosprout.errors import InputError
from thermosprout.soil.series import hours_since_epoch

if TYPE_CHECKING:
    import pandas as pd


_USUAL_DEPTH_CM = 2.0


@dataclass(frozen=True, kw_only=True)
class Plot:
    """One plot, row, pot or dish; hours count from 1970-01-01T00:00 UTC.

    Attributes
    ----------
    treatment : str
        Label of the records; those the model does not know get an effect of their own.
    hours, new : ndarray, shape (inspection,)
        Inspections after planting and the seedlings new at each. [h]
    constant_C : float or None
        Temperature of a dish or pot that was held constant; else the plot has a soil series.
        [degC]
    dish : bool
        Germination was counted, not emergence from a depth.
    noted_h : tuple of float or None
        Hours between which a single date of emergence lies, where nothing was counted. [h]
    viability : float
        Share of live seed in the lot as far as it is known.
    seeds_started : int or None
        Seeds wetted for a pre-sprouted plot; None where no more than were planted, so that
        nothing is known of those that did not sprout.
    """

    name: str
    treatment: str = Treatment.DIRECT.value
    handling: Handling = field(default_factory=Handling)
    planted_h: float
    depth_cm: float
    seeds: int
    hours: FloatArray = field(default_factory=lambda: np.zeros(0))
    new: FloatArray = field(default_factory=lambda: np.zeros(0))
    constant_C: float | None = None
    dish: bool = False
    noted_h: tuple[float, float] | None = None
    variety: str | None = None
    seed_lot: str | None = None
    block: str | None = None
    viability: float = 1.0
    seeds_started: int | None = None

    def telling(self) -> tuple[FloatArray, FloatArray]:
        """Inspections that matter to a likelihood, and the seedlings new at each.

        Where nothing came between three looks, the one in the middle tells nothing more.
        """
        keep = (self.new > 0) | (np.append(self.new[1:], 1.0) > 0)
        return self.hours[keep], self.new[keep]

    @property
    def emerged(self) -> int:
        """Seedlings at the last inspection."""
        return int(self.new.sum())

    @property
    def last_h(self) -> float:
        """Hour after which nothing was looked at."""
        if self.noted_h is not None:
            return self.noted_h[1]
        return float(self.hours[-1])

    @property
    def known_treatment(self) -> bool:
        """Whether the label carries its meaning to the model."""
        return self.treatment in set(Treatment)


def plots_of_records(
    records: pd.DataFrame, crop: Crop, *, viability: float = 1.0
) -> tuple[Plot, ...]:
    """Plots from a table of records.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read_records` returns.
    crop : Crop
        For the depth of plots that have none.
    viability : float
        Share of live seed, where a germination test gave one.

    Raises
    ------
    InputError
        When nothing was inspected after planting, or a soak or sprouting has no length.
    """
    counted = records[records["inspected"].notna()]
    plots = [
        _plot(str(name), rows.sort_values("inspected"), crop, viability)
        for name, rows in counted.groupby("plot", sort=False)
    ]
    kept = tuple(plot for plot in plots if plot is not None)
    if not kept:
        raise InputError("the records hold no inspection after planting")
    return kept


def _plot(name: str, rows: pd.DataFrame, crop: Crop, viability: float) -> Plot | None:
    first = rows.iloc[0]
    planted = float(hours_since_epoch([first["planted"].to_datetime64()])[0])
    started = float(hours_since_epoch([first["started"].to_datetime64()])[0])
    hours = hours_since_epoch(rows["inspected"].to_numpy())
    after = hours > planted
    if not after.any():
        return None
    emerged = rows["emerged"].to_numpy(dtype=float)
    if (emerged[~after] > 0).any():
        raise InputError(f"plot {name}: seedlings are recorded before it was planted")
    seeds = int(first["seeds_planted"])
    constant = _number(first, "temperature_C")
    depth = _number(first, "depth_cm")
    dish = constant is not None and not depth
    treatment = str(first["treatment"])
    if dish:
        depth = TABLE_DEPTH_CM
    elif depth is None:
        depth = crop.practice.depth_cm or _USUAL_DEPTH_CM
    return Plot(
        name=name,
        treatment=treatment,
        handling=handling_of(name, treatment, planted - started),
        planted_h=planted,
        depth_cm=depth,
        seeds=seeds,
        hours=hours[after],
        new=increments(emerged[after], seeds),
        constant_C=constant,
        dish=dish,
        variety=_text(first, "variety"),
        seed_lot=_text(first, "seed_lot"),
        block=_text(first, "block"),
        viability=viability,
        seeds_started=_seeds_started(first, treatment, seeds),
    )


def _seeds_started(first: pd.Series, treatment: str, seeds: int) -> int | None:
    if treatment != Treatment.PRESPROUTED:
        return None
    started = _number(first, "seeds_started")
    return int(started) if started is not None and started > seeds else None


def handling_of(name: str, treatment: str, lead_h: float) -> Handling:
    """What the model makes of a label and the time between the first water and planting.

    Raises
    ------
    InputError
        When a soaked or pre-sprouted plot was started the moment it was planted.
    """
    if treatment not in (Treatment.SOAKED, Treatment.PRESPROUTED):
        return Handling()
    if lead_h <= 0:
        raise InputError(
            f"plot {name} is {treatment} but was started when it was planted",
            hint="started is when the seed first met water",
        )
    if treatment == Treatment.SOAKED:
        return Handling(treatment=Treatment.SOAKED, soak_h=lead_h)
    return Handling(treatment=Treatment.PRESPROUTED, sprout_h=lead_h)


def digest_of(plots: Sequence[Plot]) -> str:
    """SHA-256 of what a fit sees of the plots."""
    lines = sorted(
        f"{p.name}|{p.variety}|{p.seed_lot}|{p.treatment}|{p.planted_h:.3f}|{p.depth_cm:g}|"
        f"{p.seeds}|{p.constant_C}|{p.noted_h}|{p.hours.tolist()}|{p.new.tolist()}"
        + ("" if p.seeds_started is None else f"|{p.seeds_started}")
        for p in plots
    )
    return sha256("\n".join(lines).encode()).hexdigest()


def _number(row: pd.Series, column: str) -> float | None:
    value = row.get(column)
    return None if value is None or np.isnan(float(value)) else float(value)


def _text(row: pd.Series, column: str) -> str | None:
    value = row.get(column)
    return str(value).strip() or None if isinstance(value, str) else None
