"""The sentences that a comparison ends with, for each goal and what was found."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.planning import compare as advice
from thermosprout.planning.compare import GOAL_WORDS, Goal

DRY = Handling()
SOAK = Handling(treatment=Treatment.SOAKED, soak_h=12.0)
SPROUT = Handling(treatment=Treatment.PRESPROUTED, sprout_h=60.0)


def outcome(handling: Handling, *, minutes: float = 5.0, seeds: int | None = 100,
            share: float = 0.8, half_h: float = 300.0) -> SimpleNamespace:  # fmt: skip
    return SimpleNamespace(
        option=SimpleNamespace(handling=handling, minutes=minutes),
        seeds_to_start=seeds,
        row=SimpleNamespace(share=np.full(5, share)),
        half_h=np.full(5, half_h),
        harvest_h=np.full(5, 2000.0),
    )


def gain(early: float, left: float) -> SimpleNamespace:
    return SimpleNamespace(emergence_d=np.full(5, early), harvest_d=np.full(5, left))


def advised(
    goal: Goal, *, early: float = 3.0, left: float = 1.5, worth: bool = True, leader: int = 1,
    chosen: int = 1, way: Handling = SPROUT, value: float = 0.25, odds: float = 0.8,
    **other: object,
) -> tuple[str, str]:  # fmt: skip
    verdict = SimpleNamespace(
        goal=goal, advised=chosen, leader=leader, worth_acting_on=worth, gain=value,
        gain_odds=odds, best_odds=(0.2, 0.8),
    )  # fmt: skip
    comparison = SimpleNamespace(
        outcomes=(outcome(DRY), outcome(way, **other)),  # type: ignore[arg-type]
        gains=(gain(0.0, 0.0), gain(early, left)),
        verdicts={goal: verdict},
        horizon="before the temperature record ends",
    )
    return advice.advise(comparison, goal)  # type: ignore[arg-type]


DAYS = next(goal for goal in Goal if goal not in (Goal.SEED, Goal.WORK, Goal.BED_DAYS))


def test_a_gain_is_said_in_its_goals_unit() -> None:
    assert advised(Goal.SEED)[1] == (
        "Pre-sprouting takes 25 % less seed for each plant; it gains in 80 % of cases."
    )
    assert advised(Goal.WORK)[1].startswith("Pre-sprouting takes 25 % less work; it gains")
    assert advised(Goal.BED_DAYS, value=2.34)[1].startswith(
        "Pre-sprouting saves 2.3 bed-days per full row by "
    )


@pytest.mark.parametrize(
    ("early", "left", "words"),
    [
        (
            3.0,
            1.5,
            "brings emergence forward by 3.0 days, of which 1.5 days remain at first harvest",
        ),
        (-2.0, 0.0, "puts emergence back by 2.0 days, but the gain is gone by first harvest"),
        (3.0, -0.4, "brings emergence forward by 3.0 days, and first harvest comes 0.4 days later"),
        (3.0, np.nan, "brings emergence forward by 3.0 days"),
        (np.inf, 1.0, "is up in time more often"),
        (3.0, 0.049, "brings emergence forward by 3.0 days, but the gain is gone by first harvest"),
    ],
)
def test_days_at_emergence_and_what_is_left_of_them(early: float, left: float, words: str) -> None:
    order, reason = advised(DAYS, early=early, left=left)
    assert order == "Sprout indoors and plant sprouted seed."
    assert reason == f"Pre-sprouting {words}; it gains in 80 % of cases."


def test_what_it_takes_is_said() -> None:
    more = advised(DAYS, minutes=25.0, seeds=106, way=SOAK)
    assert more[0] == "Soak for 12 h, then sow."
    assert more[1].startswith("Soaking for 12 h brings emergence forward")
    assert more[1].endswith(" It takes 106 seeds instead of 100 and 20 minutes more work.")
    assert advised(DAYS, minutes=5.0, seeds=105)[1].endswith("it gains in 80 % of cases.")
    assert advised(DAYS, seeds=None)[1].endswith("it gains in 80 % of cases.")


def test_a_gain_not_worth_it_is_said_so() -> None:
    order, reason = advised(DAYS, worth=False, chosen=0, odds=0.995)
    assert order == "Sow dry."
    assert reason == (
        "Pre-sprouting brings emergence forward by 3.0 days, of which 1.5 days remain at first "
        "harvest (it gains in more than 99 % of cases): the difference is not worth acting on."
    )
    assert "less than 1 %" in advised(DAYS, worth=False, chosen=0, odds=0.005)[1]


def test_the_plainest_leads_or_fails() -> None:
    words = GOAL_WORDS[DAYS]
    order, reason = advised(DAYS, worth=False, chosen=0, leader=0)
    assert order == "Sow dry."
    assert reason == (
        f"No method does better for the {words}; pre-sprouting would bring emergence forward by "
        "3.0 days at its cost in seed and work."
    )
    assert advised(DAYS, worth=False, chosen=0, leader=0, early=-1.0)[1] == (
        f"No method does better for the {words}."
    )
    assert advised(DAYS, worth=False, chosen=0, leader=0, early=np.nan)[1] == (
        f"No method does better for the {words}."
    )
    assert advised(DAYS, worth=False, chosen=1, leader=1)[1] == (
        "Sowing dry is likely to fail here; pre-sprouting is the simplest method that should work."
    )


def test_one_way_has_nothing_to_be_weighed_against() -> None:
    verdict = SimpleNamespace(advised=0)
    comparison = SimpleNamespace(outcomes=(outcome(DRY),), gains=(), verdicts={DAYS: verdict})
    assert advice.advise(comparison, DAYS) == (  # type: ignore[arg-type]
        "Sow dry.",
        "Only one method is possible, so there is nothing to compare.",
    )
    hopeless = SimpleNamespace(
        outcomes=(outcome(DRY, share=0.09),), gains=(), verdicts={DAYS: verdict}
    )
    assert advice.advise(hopeless, DAYS)[0] == "Do not sow on this day."  # type: ignore[arg-type]
    late = SimpleNamespace(
        outcomes=(outcome(DRY, half_h=np.inf),),
        gains=(),
        verdicts={DAYS: verdict},
        horizon="at this temperature",
    )
    assert advice.advise(late, DAYS) == (  # type: ignore[arg-type]
        "No advice for this day.",
        "Whatever the method, the row is unlikely to be up at this temperature.",
    )


def test_a_middle_needs_more_than_half_of_the_draws() -> None:
    assert advice.median_of_most(np.array([1.0, 2.0, 3.0, np.inf, np.nan])) == 2.0
    assert np.isnan(advice.median_of_most(np.array([1.0, 2.0, np.inf, np.nan])))
    assert advice.odds_words(0.99) == "99 %"
    assert advice.odds_words(0.01) == "1 %"
