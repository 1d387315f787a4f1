from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from tests.planning.climates import INLAND, series, soil_under, years
from tests.planning.constant_setting import constant_setting
from thermosprout.crops.crop import DRESSED, NOT_FOOD
from thermosprout.emergence.forecast import CropDraws, clock_for
from thermosprout.emergence.harvest import Growth, HarvestNeed
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import InputError
from thermosprout.planning.compare import Comparison, Goal, advise, compare
from thermosprout.planning.compare_answer import CompareAnswer, compare_ways
from thermosprout.planning.options import Option, usual_options
from thermosprout.season.open_context import open_context
from thermosprout.season.setting import Question, Setting

CROP = plain_crop()


def at(temperature_C: float, options: Sequence[Option], **named: Any) -> Comparison:
    """Compare at one temperature of soil and air."""
    return at_setting(constant_setting(CROP, temperature_C), temperature_C, options, **named)


def at_setting(
    setting: Setting, air_C: float, options: Sequence[Option], **named: Any
) -> Comparison:
    harvest = Growth.constant(air_C, HarvestNeed.of(setting.crop, setting.size))
    return compare(setting, options, growth=harvest, **{"free_h": 0.0, **named})


@pytest.fixture(scope="module")
def cold() -> Comparison:
    setting = constant_setting(CROP, 13.0, viability=np.full(1000, 0.85))
    return at_setting(setting, 13.0, usual_options(CROP))


def test_options_cover_the_treatments_and_mind_the_safe_soak() -> None:
    names = [option.name for option in usual_options(CROP)]
    assert names == ["direct", "soaked 8 h", "soaked 12 h", "pre-sprouted"]
    assert [o.name for o in usual_options(CROP, soaks_h=(3.0,))][1] == "soaked 3 h"
    with pytest.raises(InputError, match="soak"):
        usual_options(CROP, soaks_h=(-1.0,))


def test_the_same_way_twice_is_no_different() -> None:
    direct = usual_options(CROP)[0]
    twin = replace(direct, name="the same")
    comparison = at(15.0, (direct, twin))
    np.testing.assert_allclose(comparison.gains[1].emergence_d, 0.0, atol=1e-9)
    for goal in Goal:
        assert comparison.verdicts[goal].best_odds == pytest.approx((0.5, 0.5))
        assert not comparison.verdicts[goal].worth_acting_on


def test_sprouted_seed_gains_in_the_cold(cold: Comparison) -> None:
    advice, reason = advise(cold, Goal.HARVEST)
    assert advice == "Sprout indoors and plant sprouted seed."
    assert "at first harvest" in reason
    assert cold.verdicts[Goal.HARVEST].worth_acting_on
    assert np.nanmedian(cold.gains[-1].emergence_d) > 3


def test_a_small_gain_is_not_worth_acting_on() -> None:
    direct, soaked = usual_options(CROP)[:2]
    comparison = at(26.0, (direct, soaked))
    advice, reason = advise(comparison, Goal.HARVEST)
    assert advice == "Sow dry."
    assert "not worth acting on" in reason


def test_least_work_is_sowing_dry(cold: Comparison) -> None:
    verdict = cold.verdicts[Goal.WORK]
    assert verdict.advised == 0
    assert verdict.best_odds[0] == pytest.approx(1.0)


def test_odds_of_being_best_sum_to_one(cold: Comparison) -> None:
    for verdict in cold.verdicts.values():
        assert sum(verdict.best_odds) == pytest.approx(1.0)


def test_stand_per_seed_started_is_below_that_per_seed_planted(cold: Comparison) -> None:
    sprouted = cold.outcomes[-1]
    assert np.all(sprouted.row.share_of_started < sprouted.row.share)
    dry = cold.outcomes[0]
    assert dry.row.stand_per_seed_started == pytest.approx(dry.row.stand)
    assert sprouted.seeds_to_start is not None
    assert sprouted.seeds_to_plant is not None
    assert sprouted.seeds_to_start > sprouted.seeds_to_plant
    direct = cold.outcomes[0]
    assert direct.seeds_to_start == direct.seeds_to_plant


def test_both_clocks_differ_by_the_lead(cold: Comparison) -> None:
    document = CompareAnswer(comparison=cold, goal=Goal.HARVEST, zone=None).to_dict()
    for option in document["options"]:
        if option["treatment"] == "soaked":
            since = option["days_since_planted"]["half"]["p50"]
            started = option["days_since_started"]["half"]["p50"]
            assert started - since == pytest.approx(option["soak_h"] / 24, abs=0.02)


def test_seed_that_cannot_be_wetted_before_today_is_planted_later() -> None:
    comparison = at(15.0, usual_options(CROP), earliest_start_h=0.0)
    planted = [outcome.row.sowing.planted_h for outcome in comparison.outcomes]
    assert planted[0] == 0.0
    assert planted[1] == 8.0
    assert planted[-1] > 24.0
    # The bed waits meanwhile, and that counts as bed-days.
    bed = comparison.outcomes[-1]
    assert np.all(bed.bed_days >= (bed.harvest_h - bed.row.sowing.planted_h) / 24)


def test_head_start_is_worth_less_when_it_warms_up() -> None:
    air = years(INLAND, 4, days=330)
    need = HarvestNeed.of(CROP, 300)
    draws = CropDraws.of(CROP, 300)
    soil = series(soil_under(air))
    setting = Setting(
        draws=draws, clock=clock_for(draws, soil), viability=np.ones(300),
        ln_shift=np.zeros(300), depth_cm=2.5,
    )  # fmt: skip
    start = float(soil["time"].values[0].astype("datetime64[h]").astype(float))
    harvest = Growth.of(series(air), need)
    comparison = compare(setting, usual_options(CROP), growth=harvest, free_h=start + 24 * 120 + 12)
    gain = comparison.gains[-1]
    known = np.isfinite(gain.harvest_d)
    assert known.mean() > 0.9
    assert np.median(gain.harvest_d[known]) < np.median(gain.emergence_d[known])
    assert np.median(gain.harvest_d[known]) > 0


def test_dressed_seed_is_only_sown_dry_and_says_so() -> None:
    setting = replace(constant_setting(CROP, 15.0), dressed=True)
    options = usual_options(CROP, dressed=True)
    assert [o.handling.treatment for o in options] == [Treatment.DIRECT]
    comparison = at_setting(setting, 15.0, options)
    assert DRESSED in comparison.cautions
    assert NOT_FOOD not in comparison.cautions
    assert advise(comparison, Goal.HARVEST)[0] == "Sow dry."


def test_cautions_are_said_once(cold: Comparison) -> None:
    cautions = cold.cautions
    assert len(cautions) == len(set(cautions))
    assert NOT_FOOD in cautions


def test_a_way_that_kills_the_seed_is_not_advised() -> None:
    harmed = plain_crop(safe_soak_h=2.0)
    direct = usual_options(harmed)[0]
    drowned = usual_options(harmed, soaks_h=(240.0,))[1]
    killing = Option(name=drowned.name, handling=drowned.handling, minutes=0.0)
    setting = constant_setting(harmed, 14.0)
    values = dict(setting.draws.values) | {"soak_loss_per_d": np.full(1000, 2.0)}
    setting = replace(setting, draws=replace(setting.draws, values=values))
    comparison = at_setting(setting, 14.0, (direct, killing))
    for goal in Goal:
        assert comparison.verdicts[goal].advised == 0


def test_the_same_question_has_the_same_answer() -> None:
    def ask() -> dict[str, object]:
        comparison = at(12.0, usual_options(CROP))
        return CompareAnswer(comparison=comparison, goal=Goal.SEED, zone=None).to_dict()

    assert ask() == ask()


def test_ground_in_which_nothing_comes_up_is_not_sown() -> None:
    for cold in (-2.0, 50.0):
        comparison = at(cold, usual_options(CROP))
        for goal in Goal:
            assert advise(comparison, goal)[0] == "Do not sow on this day."


def test_temperatures_that_end_too_early_give_no_advice() -> None:
    draws = CropDraws.of(CROP, 100)
    need = HarvestNeed.of(CROP, 100)
    soil = series(np.full(24 * 4, 18.0))
    setting = Setting(
        draws=draws, clock=clock_for(draws, soil), viability=np.ones(100), ln_shift=np.zeros(100),
        depth_cm=2.5,
    )  # fmt: skip
    start = float(soil["time"].values[0].astype("datetime64[h]").astype(float))
    harvest = Growth.of(soil, need)
    comparison = compare(setting, usual_options(CROP), growth=harvest, free_h=start + 1)
    advice, reason = advise(comparison, Goal.HARVEST)
    assert advice == "No advice for this day."
    assert "unlikely to be up before the temperature record ends" in reason


def test_what_the_gain_takes_is_said_and_weighed(cold: Comparison) -> None:
    _, reason = advise(cold, Goal.HARVEST)
    assert "seeds instead of" in reason
    assert "35 minutes more work" in reason
    laborious = tuple(
        replace(option, minutes=600.0) if option.handling.treatment is Treatment.PRESPROUTED
        else option for option in usual_options(CROP)
    )  # fmt: skip
    easy = at(20.0, usual_options(CROP))
    hard = at(20.0, laborious)
    assert easy.verdicts[Goal.HARVEST].worth_acting_on
    assert not hard.verdicts[Goal.HARVEST].worth_acting_on
    assert "not worth acting on" in advise(hard, Goal.HARVEST)[1]


def test_a_horizon_short_of_harvest_is_said_and_emergence_weighed() -> None:
    draws = CropDraws.of(CROP, 200)
    need = HarvestNeed.of(CROP, 200)
    soil = series(np.full(24 * 40, 16.0))
    setting = Setting(
        draws=draws, clock=clock_for(draws, soil), viability=np.ones(200), ln_shift=np.zeros(200),
        depth_cm=2.5,
    )  # fmt: skip
    start = float(soil["time"].values[0].astype("datetime64[h]").astype(float))
    harvest = Growth.of(soil, need)
    comparison = compare(setting, usual_options(CROP), growth=harvest, free_h=start + 1)
    document = CompareAnswer(comparison=comparison, goal=Goal.BED_DAYS, zone=None).to_dict()
    assert document["options"][0]["bed_days"]["to_harvest"]["p50"] is None
    assert any("compared at half emergence" in note for note in document["notes"])
    assert "by half emergence" in document["reason"]
    assert document["advised"] == "pre-sprouted"


def test_a_dry_bed_takes_no_time_off_the_sprouting_indoors() -> None:
    moist, dry = (
        compare_ways(
            open_context(constant_C=14.0, size=300), Question(crop="carrot", dry_bed=dry)
        ).comparison
        for dry in (False, True)
    )
    for before, after in zip(moist.outcomes, dry.outcomes, strict=True):
        assert after.lead_h == pytest.approx(before.lead_h)
    gains = [float(np.nanmedian(one.half_h)) for one in (*moist.outcomes, *dry.outcomes)]
    assert gains[4] == pytest.approx(gains[0]), "dry seed is forecast as in a moist bed"
    assert gains[6] < gains[2] - 24.0, "a soak brings water"
    assert gains[7] > gains[3] + 24.0, "sprouts lose their lead"


def test_a_constant_temperature_counts_as_that_under_the_cover() -> None:
    context = open_context(constant_C=14.0, size=300)
    compare_ways(context, Question(crop="carrot", cover="fleece"))
    assert context.notes.count("A constant temperature counts as that under the fleece.") == 1
