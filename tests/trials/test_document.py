"""Plain data of a result: whole numbers stay whole, what is not known is null."""

from __future__ import annotations

import json

import numpy as np

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.results import _plain


def test_numbers_of_any_kind_become_plain_ones() -> None:
    given = {
        "a": np.int64(7), "b": np.bool_(True), "c": np.float32(0.5), "d": (np.nan, np.inf, 1 / 3),
        "e": [None, "x", True, 3],
    }  # fmt: skip
    assert json.loads(json.dumps(_plain(given))) == {
        "a": 7, "b": True, "c": 0.5, "d": [None, None, 0.333333], "e": [None, "x", True, 3],
    }  # fmt: skip
    assert isinstance(_plain(np.int64(7)), int)
    assert isinstance(_plain(np.bool_(False)), bool)


def test_a_result_is_json_with_whole_counts() -> None:
    records = many_trials(
        np.random.default_rng(2), 1, 3, ("direct", "soaked"), (9.0, 8.0), (0.6, 0.7), seeds=50
    )
    document = json.loads(json.dumps(analyse(records).to_dict(), allow_nan=False))
    for treatment in document["treatments"]:
        assert isinstance(treatment["emerged"], int)
        assert treatment["seeds_planted"] == 150
