"""With few blocks the check by permutation is silent, and does not gainsay the comparison.

The smallest p: of the 2^n ways to swap two plots within n blocks two are as extreme as the most
extreme one (Fisher 1935, The Design of Experiments, ch. 3), so 2/32 for five blocks, and 2/64 is
the first below 0.05.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PLOTS
from thermosprout.trials.analysis.pairs import blocks_for_p

LOOKS = np.arange(1.0, 26.0)


def trial(days: tuple[float, float], blocks: int) -> pd.DataFrame:
    rng = np.random.default_rng(8)
    return many_trials(
        rng, 1, blocks, ("direct", "soaked"), days, (0.75, 0.75), seeds=60, looks=LOOKS
    )


def test_what_is_shown_with_five_blocks_names_its_test() -> None:
    result = analyse(trial((14.0, 8.0), 5))
    assert [d.shown for d in result.differences if "t50" in d.measure and d.method == BY_PLOTS] == [
        True
    ]
    told = [text for text in result.warnings if "permutation" in text]
    assert len(told) == 1
    assert "Student's t" in told[0]
    assert "cannot confirm them at 5 %" in told[0]
    assert f"smallest p is {2 / 32:.2g}; 6 blocks" in told[0]
    assert "cannot show anything" not in " ".join(result.warnings)


def test_where_nothing_is_shown_there_is_nothing_to_confirm() -> None:
    result = analyse(trial((9.0, 9.0), 4))
    assert not any(item.shown for item in result.differences)
    told = [text for text in result.warnings if "permutation" in text]
    assert len(told) == 1
    assert told[0].startswith("the permutation check cannot reach 5 %")


def test_six_blocks_need_no_word_on_it() -> None:
    assert not [text for text in analyse(trial((14.0, 8.0), 6)).warnings if "permutation" in text]


def test_blocks_that_can_show_something_by_hand() -> None:
    """2/2^n is at most 0.05 from six blocks on, and 0.05/3 from seven."""
    assert blocks_for_p() == 6
    assert blocks_for_p(comparisons=3) == 7
    assert blocks_for_p(0.01) == 8
