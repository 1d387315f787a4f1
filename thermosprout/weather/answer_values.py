"""Numbers of a service's answer."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.weather.transport import BadAnswerError


def answer_values(values: Iterable[Any], name: str) -> FloatArray:
    """Numbers of one variable, NaN for null.

    Parameters
    ----------
    values : iterable
        As JSON gives them: numbers, and None where the service has none.
    name : str
        For the message.

    Returns
    -------
    ndarray, shape (time,)

    Raises
    ------
    BadAnswerError
        For anything that is no finite number; JSON itself knows neither NaN nor infinity
        (RFC 8259, section 6), and a number may be too large to be one here.
    """
    try:
        given = np.array([np.nan if value is None else value for value in values], dtype=float)
        known = np.array([value is not None for value in values], dtype=bool)
        sound = given.ndim == 1 and bool(np.isfinite(given[known]).all())
    except (TypeError, ValueError, OverflowError):
        sound = False
    if not sound:
        raise BadAnswerError(f"{name} holds something that is no number", "try again later")
    return given
