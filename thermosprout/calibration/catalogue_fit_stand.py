"""Stand against temperature: two logistic curves through the shares of normal seedlings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from thermosprout.arrays import FloatArray
from thermosprout.calibration.catalogue_fit_evidence import Evidence

SHARE_SD = 0.08
"""Error of a published share of normal seedlings: one lot of some hundred seeds."""

STILL_GOOD = 0.95
"""Share of the best stand at the top of the range that sowing charts call best (assumption)."""


@dataclass(frozen=True, kw_only=True)
class StandCurve:
    """Temperatures at which half of the stand is lost, and the width of either loss. [degC]"""

    low: float
    low_width: float
    high: float
    high_width: float
    cells: int


def fit_stand(
    evidence: Evidence, *, base: float, ceiling: float, chilling_limit: float | None, hazard: float
) -> StandCurve:
    """Fit the stand to the shares of normal seedlings, else to the chart's minimum and maximum.

    Parameters
    ----------
    base, ceiling : float
        Of the fitted temperature response. [degC]
    chilling_limit, hazard : float
        Loss of chilling-sensitive seed below the limit [degC] per degree, which is a parameter of
        its own and therefore taken out of the shares first.
    """
    highest = float(np.mean(evidence.maxima)) + 1.0 if evidence.maxima else ceiling - 4.0
    middle = np.array([base + 1.5, np.log(1.5), highest, np.log(1.5)])
    spread = np.array([3.0, 0.5, 2.5, 0.4])
    if not evidence.stand:
        return _curve(middle, 0)
    warmest_good = np.mean(evidence.best_highs) if evidence.best_highs else np.nan
    temperature, share = (np.array(column) for column in zip(*evidence.stand, strict=True))
    if chilling_limit is not None:
        below = np.clip(chilling_limit - temperature, 0.0, None)
        share = np.clip(share * np.exp(hazard * below), 0.0, 1.0)

    def residuals(point: FloatArray) -> FloatArray:
        curve = point[4] * _stand(point, temperature)
        good = (_stand(point, np.array([warmest_good])) - STILL_GOOD) / SHARE_SD
        return np.concatenate(
            [
                (curve - share) / SHARE_SD,
                (point[:4] - middle) / spread,
                [(point[4] - 0.95) / 0.1],
                good[np.isfinite(good)],
            ]
        )

    found = least_squares(residuals, np.append(middle, max(0.5, float(share.max()))))
    return _curve(found.x, temperature.size)


def _stand(point: FloatArray, temperature: FloatArray) -> FloatArray:
    cold = (temperature - point[0]) / np.exp(point[1])
    heat = (point[2] - temperature) / np.exp(point[3])
    return np.asarray(0.25 * (1.0 + np.tanh(cold / 2)) * (1.0 + np.tanh(heat / 2)))


def _curve(point: FloatArray, cells: int) -> StandCurve:
    low, low_width, high, high_width = (float(x) for x in point[:4])
    return StandCurve(
        low=low,
        low_width=float(np.exp(low_width)),
        high=high,
        high_width=float(np.exp(high_width)),
        cells=cells,
    )
