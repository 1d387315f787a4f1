from __future__ import annotations

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from tests.planning.constant_setting import constant_setting
from thermosprout.emergence.conditioning import Count, condition
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.harvest import Growth, HarvestNeed
from thermosprout.emergence.treatments import Handling
from thermosprout.errors import InputError
from thermosprout.planning.sow_again import AGAIN, FILL, WAIT, SowAgain, sow_again

CROP = plain_crop()
SETTING = constant_setting(CROP, 16.0, viability=np.full(1000, 0.9))
HARVEST = Growth.constant(16.0, HarvestNeed.of(CROP, 1000))
NOW = 24.0 * 26


def answer(emerged: int | None, *, target: int = 80, **changed: object) -> SowAgain:
    row: RowForecast = SETTING.forecast(Handling(), 0.0, seeds=120)
    if emerged is not None:
        row = condition(row, [Count(hour=NOW, emerged=emerged)]).row
    return sow_again(row, now_h=NOW, target=target, growth=HARVEST, **changed)  # type: ignore[arg-type]


def test_a_full_row_is_kept() -> None:
    poor = answer(92)
    assert poor.ways[poor.advised].name == WAIT
    assert poor.advice.startswith("Wait")
    assert poor.days[0].plants["p50"] == pytest.approx(92, abs=6)


def test_an_empty_row_is_not_waited_for() -> None:
    poor = answer(0)
    assert poor.ways[poor.advised].name != WAIT
    assert "of the 80 you want" in poor.reason
    assert poor.saved > 1


def test_a_gappy_row_is_filled_rather_than_sown_again() -> None:
    poor = answer(45)
    assert poor.ways[poor.advised].name == FILL
    fill, again = poor.ways[1], poor.ways[2]
    assert fill.name == FILL
    assert again.name == AGAIN
    assert np.median(fill.plants) > np.median(poor.ways[0].plants)
    assert 0 < fill.seeds < 200


def test_plants_of_the_next_days_never_fall() -> None:
    poor = answer(20, ahead_d=12)
    assert len(poor.days) == 13
    middle = [day.plants["p50"] for day in poor.days]
    assert middle == sorted(middle)
    left = [day.still_to_come for day in poor.days]
    assert left == sorted(left, reverse=True)


def test_filling_never_gives_fewer_plants_than_waiting() -> None:
    poor = answer(30)
    assert np.all(poor.ways[1].plants >= poor.ways[0].plants - 1e-9)


def test_another_lot_may_be_sown() -> None:
    dead = answer(0, viability=np.full(1000, 0.02))
    alive = answer(0, viability=np.full(1000, 0.95))
    assert np.median(dead.ways[2].plants) < 10 < np.median(alive.ways[2].plants)


def test_dressed_seed_is_not_sprouted_for_the_gaps() -> None:
    dry, sprouted = answer(30, dressed=True), answer(30)
    assert np.median(dry.ways[1].half_h) > np.median(sprouted.ways[1].half_h)


def test_sprouts_for_the_gaps_lose_their_lead_in_a_dry_bed() -> None:
    """Directions of three works (their rows stand in ``presowing_evidence.csv``)."""
    moist, dry = answer(0), answer(0, dry_bed=True)
    assert np.median(dry.ways[1].half_h) > np.median(moist.ways[1].half_h) + 24
    assert dry.ways[2].half_h == pytest.approx(moist.ways[2].half_h)


def test_the_advice_names_the_seed_that_fills_the_gaps() -> None:
    assert "sprouted seed" in answer(45).advice
    assert "dry seed" in answer(45, dressed=True).advice


def test_a_row_that_is_not_planted_is_not_waited_for() -> None:
    row = SETTING.forecast(Handling(), NOW + 24)
    with pytest.raises(InputError, match="not planted yet"):
        sow_again(row, now_h=NOW, target=10, growth=HARVEST)


def test_a_row_that_is_up_takes_no_more_days() -> None:
    row = condition(
        SETTING.forecast(Handling(), 0.0, seeds=120), [Count(hour=24.0 * 60, emerged=70)]
    ).row
    poor = sow_again(
        row, now_h=24.0 * 60, target=80,
        growth=Growth.constant(1.0, HarvestNeed.of(CROP, 1000)),
    )  # fmt: skip
    assert poor.until == "half emergence"
    wait, _, again = poor.ways
    assert all((way.bed_days >= 0).all() for way in poor.ways)
    assert np.median(wait.bed_days) == 0
    assert np.median(again.bed_days) > 5
    assert poor.ways[poor.advised].name != AGAIN
