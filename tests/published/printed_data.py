"""Small tables of published trials, typed in so that their checks run on every machine."""

from __future__ import annotations

import numpy as np

OROBANCHE = {
    ("O. aegyptiaca 75", "bean"): ((10, 39), (23, 62), (23, 81), (26, 51), (17, 39)),
    ("O. aegyptiaca 73", "bean"): ((8, 16), (10, 30), (8, 28), (23, 45), (0, 4)),
    ("O. aegyptiaca 75", "cucumber"): ((5, 6), (53, 74), (55, 72), (32, 51), (46, 79), (10, 13)),
    ("O. aegyptiaca 73", "cucumber"): ((3, 12), (22, 41), (15, 30), (32, 51), (3, 7)),
}
"""Crowder (1978), Applied Statistics 27:34-37, table 3: germinated of the seeds on each plate."""


def orobanche_plates() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Germinated, seeds and number of the group of each of the 21 plates."""
    plates = [(*plate, k) for k, group in enumerate(OROBANCHE.values()) for plate in group]
    germinated, seeds, group = np.array(plates).T
    return germinated, seeds, group


_RADIOTHERAPY = """
45- 6,10 0,7 46- 46- 7,16 17- 7,14 37,44 0,8 4,11 15- 11,15 22- 46- 46- 25,37 46- 26,40 46- 27,34
36,44 46- 36,48 37- 40- 17,25 46- 11,18 38- 5,12 37- 0,5 18- 24- 36- 5,11 19,35 17,25 24- 32- 33-
19,26 37- 34- 36-"""
_WITH_CHEMOTHERAPY = """
8,12 0,22 24,31 17,27 17,23 24,30 16,24 13- 11,13 16,20 18,25 17,26 32- 23- 44,48 14,17 0,5 5,8
12,20 11- 33,40 31- 13,39 19,32 34- 13- 16,24 35- 15,22 11,17 22,32 10,35 30,34 13- 10,17 8,21 4,9
11- 14,19 4,8 34- 30,36 18,24 16,60 35,39 21- 11,20 48-"""


def breast_cosmesis() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Ends of the months between two looks; no end where nothing had been seen by the last.

    Finkelstein & Wolfe (1985), Biometrics 41:933-945, table 4.
    """
    out = {}
    for name, text in (
        ("radiotherapy", _RADIOTHERAPY),
        ("radiotherapy+chemotherapy", _WITH_CHEMOTHERAPY),
    ):
        pairs = [word.replace("-", ",inf").split(",") for word in text.split()]
        left, right = np.array(pairs, dtype=float).T
        out[name] = left, right
    return out
