"""What a trial is warned of, each caution on its own and not without cause."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.sentences import join_names

LOOKS = np.arange(1.0, 26.0)


def trial(
    *, blocks: int = 6, treatments: tuple[str, ...] = ("direct", "soaked"), seed: int = 5,
    looks: np.ndarray = LOOKS,
) -> pd.DataFrame:  # fmt: skip
    size = len(treatments)
    rng = np.random.default_rng(seed)
    return many_trials(
        rng, 1, blocks, treatments, (9.0,) * size, (0.75,) * size, seeds=60, looks=looks
    )


WARNINGS: dict[str, tuple[str, ...]] = {}
"""What each table was warned of."""


def warned(records: pd.DataFrame, words: str) -> list[str]:
    table = records.to_csv()
    if table not in WARNINGS:
        WARNINGS[table] = analyse(records).warnings
    return [warning for warning in WARNINGS[table] if words in warning]


def days(records: pd.DataFrame, mine: pd.Series, later: int) -> pd.DataFrame:
    """Plots planted, started and looked at some days later."""
    moved = records.copy()
    for name in ("started", "planted", "inspected"):
        moved.loc[mine, name] += pd.Timedelta(days=later)
    return moved


def test_a_sound_trial_is_warned_of_nothing() -> None:
    assert analyse(trial()).warnings == ()


def test_a_single_plot_cannot_be_told_from_its_treatment() -> None:
    records = trial(treatments=("direct", "soaked", "fleece"))
    few = records[(records["treatment"] != "fleece") | (records["block"] == "0")]
    found = warned(few, "a single plot")
    assert len(found) == 1
    assert found[0].startswith("fleece has a single plot")
    fewer = few[(few["treatment"] != "soaked") | (few["block"] == "1")]
    assert warned(fewer, "a single plot")[0].startswith("soaked and fleece have a single plot")
    assert warned(few, "not every block holds every treatment")
    assert not warned(records, "not every block")


def test_treatments_that_never_share_a_block_are_told_of() -> None:
    records = trial()
    apart = records[(records["treatment"] == "direct") == (records["block"].astype(int) < 3)]
    assert warned(apart, "no block holds more than one treatment")
    assert not warned(apart, "not every block")
    one = records[(records["treatment"] == "direct") | (records["block"] == "0")]
    assert not warned(one, "no block holds more")
    assert warned(one, "not every block holds every treatment")


def test_days_of_planting_can_be_mixed_up_with_treatments() -> None:
    records = trial()
    soaked = records["treatment"] == "soaked"
    assert warned(days(records, soaked, 4), "were planted on different days and met")
    mixed = days(records, records["block"].astype(int) > 2, 4)
    assert warned(mixed, "each treatment has plots of every day")
    assert not warned(mixed, "met different weather")


def test_sprouts_are_selected_only_where_some_were_left_out() -> None:
    records = trial(treatments=("direct", "Presprouted"))
    assert warned(records, "the records say that every seed started was planted")
    more = records.copy()
    more.loc[more["treatment"] == "Presprouted", "seeds_started"] = 80
    assert warned(more, "per seed started")
    one = records.copy()
    one.loc[
        one["plot"] == more.loc[more["seeds_started"] == 80, "plot"].iloc[0], "seeds_started"
    ] = 80
    assert warned(one, "per seed started"), "one plot from which seed was left out is enough"
    assert not warned(more, "the records say that every")


@pytest.mark.parametrize(
    ("every", "told"), [(1.0, ""), (1.5, ""), (2.0, "2.0 days"), (4.0, "4.0 days")]
)
def test_wide_gaps_between_looks_blur_the_day(every: float, told: str) -> None:
    found = warned(trial(looks=np.arange(every, 30.0, every)), "were looked at about every")
    assert len(found) == (1 if told else 0)
    if told:
        assert f"about every {told}" in found[0]
        assert f"less than about {every / 2:.1f} days" in found[0]


def test_seedlings_still_coming_leave_the_stand_open() -> None:
    assert warned(trial(looks=np.arange(1.0, 10.0)), "still coming at the last look")
    assert not warned(trial(), "still coming")


def test_one_look_means_no_seedlings_still_coming() -> None:
    records = trial()
    last = records["inspected"] == records["inspected"].max()
    once = records[(records["plot"] != records["plot"].iloc[0]) | last]
    twice = once[(once["plot"] != once["plot"].iloc[-1]) | last[once.index]]
    assert not warned(twice, "still coming")


def test_one_look_at_every_plot_tells_no_time() -> None:
    records = trial()
    last = records[records["inspected"] == records["inspected"].max()]
    assert warned(last, "plots were counted once only")
    assert not warned(last, "still coming")


def test_plots_with_next_to_no_seedlings_are_named() -> None:
    records = trial()
    poor = records["plot"] == records["plot"].iloc[0]
    records.loc[poor, "emerged"] = records.loc[poor, "emerged"].clip(upper=2)
    found = warned(records, "left out of the times")
    assert len(found) == 1
    assert found[0].startswith("0-0-0 had fewer than 3 seedlings and is left out")
    records["emerged"] = records["emerged"].clip(upper=2)
    found = warned(records, "left out of the times")
    assert "0-0-0, 0-0-1, 0-1-0, 0-1-1, 0-2-0, 0-2-1 and 6 more had" in found[0]
    assert "are left out" in found[0]


def test_a_trial_of_one_treatment_is_not_told_of_blocks() -> None:
    found = analyse(trial(treatments=("direct",))).warnings
    assert not [w for w in found if "block" in w or "single plot" in w]
    one = trial(treatments=("direct",), blocks=1)
    assert not [w for w in analyse(one).warnings if "block" in w or "single plot" in w]


@pytest.mark.parametrize("column", ["seed_lot", "variety", "depth_cm"])
def test_what_differs_with_the_treatments_cannot_be_told_from_them(column: str) -> None:
    names = ("direct", "soaked", "fleece")
    records = trial(treatments=names)
    for value, name in enumerate(names):
        records.loc[records["treatment"] == name, column] = (
            2.0 + value if column == "depth_cm" else f"lot {value}"
        )
    words = {"seed_lot": "seed lot", "depth_cm": "depth"}.get(column, column)
    assert warned(records, f"every treatment has its own {words}, so that")
    # One plot that two treatments have in common tells them apart.
    shared = records.copy()
    first = shared["plot"] == shared.loc[shared["treatment"] == "direct", "plot"].iloc[0]
    shared.loc[first, column] = 3.0 if column == "depth_cm" else "lot 1"
    assert not warned(shared, "every treatment has its own")


def test_hours_of_one_day_are_no_different_days() -> None:
    records = trial()
    midnight = records["planted"].dt.floor("D")
    early = records["treatment"] == "soaked"
    for name in ("planted", "started"):
        records[name] = midnight + pd.Timedelta(hours=18)
        records.loc[early, name] = midnight[early]
    assert not warned(records, "planted on different days")
    for name in ("planted", "started"):
        records.loc[early, name] = midnight[early] - pd.Timedelta(minutes=1)
    assert warned(records, "treatments were planted on different days")


@pytest.mark.parametrize(
    ("count", "words"),
    [(1, "a"), (2, "a and b"), (3, "a, b and c"), (6, "a, b, c, d, e and f"),
     (7, "a, b, c, d, e, f and 1 more"), (9, "a, b, c, d, e, f and 3 more")],
)  # fmt: skip
def test_names_in_a_sentence(count: int, words: str) -> None:
    assert join_names(list("abcdefghi")[:count]) == words
