"""Germination tests: what replicates and counts by day say of a lot's viability and vigour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from thermosprout.crops.estimate import PARAMETERS
from thermosprout.errors import InputError
from thermosprout.files import reference_rows
from thermosprout.quantities import FloatArray

_STEP = 1e-3

RULE_SEEDS = 100
"""Seeds of a replicate for which the tolerance was made."""


def replicate_warning(replicates: tuple[tuple[int, int], ...]) -> str | None:
    """Say when replicates of a germination test differ by more than chance allows.

    Parameters
    ----------
    replicates : tuple of (germinated, tested)
        Counts of each replicate.

    Returns
    -------
    str or None
        A sentence, or nothing where the replicates agree or the rule does not speak.

    Notes
    -----
    7 CFR 201.55(a): largest range between two or four replicates of 100 seeds by their mean.
    Replicates of other sizes are judged by the tolerance times the square root of 100 over their
    seeds; three replicates by the tolerance of four.
    """
    if len(replicates) < 2 or len(replicates) > 4:
        return None
    germinated, tested = np.array(replicates, dtype=float).T
    shares = 100.0 * germinated / tested
    tolerance = _tolerance(float(np.mean(shares)), len(replicates))
    if tolerance is None:
        return None
    allowed = tolerance * float(np.sqrt(RULE_SEEDS / np.mean(tested)))
    difference = float(shares.max() - shares.min())
    if difference <= allowed:
        return None
    return (
        f"the replicates lie {difference:.0f} percentage points apart, more than the {allowed:.0f} "
        "that chance allows: test the lot again"
    )


def _tolerance(mean_pct: float, replicates: int) -> float | None:
    column = "max_range_2_replicates" if replicates == 2 else "max_range_4_replicates"
    rounded = int(np.floor(mean_pct + 0.5))
    for row in reference_rows("replicate_tolerance.csv"):
        if rounded in (int(row["mean_pct_high"]), int(row["mean_pct_low"])) and row[column]:
            return float(row[column])
    return None


@dataclass(frozen=True, kw_only=True)
class GerminationTest:
    """Counts of a germination test by day.

    Attributes
    ----------
    days : tuple of float
        Days since the seed was wetted, rising. [d]
    germinated : tuple of int
        Seeds germinated up to each day, counted together.
    tested : int
        Seeds in the test.
    """

    days: tuple[float, ...]
    germinated: tuple[int, ...]
    tested: int

    def __post_init__(self) -> None:
        if not self.days or len(self.days) != len(self.germinated):
            raise InputError("a germination test needs a count for each of its days")
        if any(b <= a for a, b in zip((0.0, *self.days), self.days, strict=False)):
            raise InputError("the days of a germination test must rise from above 0")
        if any(b < a for a, b in zip((0, *self.germinated), self.germinated, strict=False)):
            raise InputError("the counts of a germination test are cumulative and cannot fall")
        if self.germinated[-1] > self.tested:
            raise InputError(f"{self.germinated[-1]} of {self.tested} seeds cannot have germinated")

    def half_time(self) -> tuple[float, float] | None:
        """Ln of the days to half of the germination, and its standard error.

        Counts between two looks are interval-censored; times are log-normal, their sd among seeds
        that of a usual crop.

        Returns
        -------
        tuple of float, or None
            None where all seed came between the same two looks: any earlier day fits as well.

        Raises
        ------
        InputError
            When fewer than three seeds germinated.
        """
        from scipy.optimize import minimize

        from thermosprout.special import ndtr

        gained = np.diff([0, *self.germinated]).astype(float)
        if gained.sum() < 3:
            raise InputError("fewer than three seeds germinated: that says nothing of their vigour")
        if np.count_nonzero(gained) < 2:
            return None
        edges = np.log(np.array([1e-9, *self.days]))

        def cost(point: FloatArray) -> float:
            scaled = ndtr((edges - point[0]) / np.exp(point[1]))
            share = np.diff(scaled) / scaled[-1]
            prior = 0.5 * ((point[1] - np.log(among.typical)) / among.spread) ** 2
            return float(prior - np.sum(gained * np.log(np.maximum(share, 1e-12))))

        among = PARAMETERS["sigma"]
        middle = float(np.interp(0.5, np.cumsum(gained) / gained.sum(), edges[1:]))
        optimum = minimize(cost, np.array([middle, np.log(among.typical)]), method="BFGS")
        curvature = _hessian(cost, optimum.x)
        if not (np.linalg.eigvalsh(curvature) > 0.0).all():
            return None
        return float(optimum.x[0]), float(np.sqrt(np.linalg.inv(curvature)[0, 0]))

    def vigour_shift(
        self, expected_half_d: float, expected_sd: float = 0.1
    ) -> tuple[float, float] | None:
        """How much slower the lot is than expected: shift of ln thermal time and its error.

        Parameters
        ----------
        expected_half_d : float
            Days to half germination of a typical lot at the temperature of the test. [d]
        expected_sd : float
            Error of ln of the expected days.

        Returns
        -------
        tuple of float, or None
            None where the speed is not known, see :meth:`half_time`.
        """
        half = self.half_time()
        if half is None:
            return None
        ln_half, error = half
        return ln_half - float(np.log(expected_half_d)), float(np.hypot(error, expected_sd))


def _hessian(cost: Callable[[FloatArray], float], point: FloatArray) -> FloatArray:
    """Second derivatives by central differences, on steps small beside the spread of ln time."""
    steps = _STEP * np.eye(point.size)
    return np.array(
        [
            [
                cost(point + a + b) - cost(point + a - b) - cost(point - a + b)
                + cost(point - a - b)
                for b in steps
            ]
            for a in steps
        ]
    ) / (4.0 * _STEP**2)  # fmt: skip
