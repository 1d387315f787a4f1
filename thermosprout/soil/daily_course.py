"""The daily course of a series: its running mean, and the course a quarter of a day later."""

from __future__ import annotations

import numpy as np

from thermosprout.arrays import FloatArray

QUARTER_H = 6
"""A quarter of a day, by which the part of the swing that is late trails it. [h]"""


def running_mean(values: FloatArray, hours: int) -> FloatArray:
    """Centred running mean along the last axis, shorter at the ends; missing values left out."""
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    zero = np.zeros((*values.shape[:-1], 1))
    total = np.concatenate([zero, np.cumsum(filled, axis=-1)], axis=-1)
    number = np.concatenate([zero, np.cumsum(known, axis=-1)], axis=-1)
    n = values.shape[-1]
    low = np.maximum(np.arange(n) - hours // 2, 0)
    high = np.minimum(np.arange(n) + hours // 2, n)
    count = np.maximum(number[..., high] - number[..., low], 1.0)
    return np.asarray((total[..., high] - total[..., low]) / count)


def trailing(course: FloatArray) -> FloatArray:
    """Daily course a quarter of a day later, along the last axis; zero before it begins."""
    before = np.zeros((*course.shape[:-1], QUARTER_H))
    return np.concatenate([before, course[..., :-QUARTER_H]], axis=-1)
