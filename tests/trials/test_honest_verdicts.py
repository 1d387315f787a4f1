"""Verdicts hold when seeds do not behave: trials from simulators that share nothing with the model.

``pytest -m slow -s tests/trials/test_honest_verdicts.py`` prints the table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
import pytest

from tests.trials.simulators import Handling, simulate_trial
from thermosprout.errors import InputError
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PLOTS
from thermosprout.trials.analysis.results import TrialResult

LABELS = ("direct", "soaked", "presprouted")
TRIALS = 80
"""Of each scenario; two standard errors of a share of 5 % are 4.9 points."""
STAND, HALF = "stand", "t50_since_planted_d"


def alike(**changed: object) -> tuple[Handling, ...]:
    return tuple(Handling(label=label, **changed) for label in LABELS)  # type: ignore[arg-type]


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Treatments that do not differ in stand and half emergence, and how they are looked at."""

    handlings: tuple[Handling, ...] = field(default_factory=alike)
    options: dict[str, object] = field(default_factory=dict)

    def analyse(self, number: int) -> TrialResult:
        rng = np.random.default_rng([7, number])
        return analyse(simulate_trial(rng, self.handlings, **self.options))  # type: ignore[arg-type]


def unlike(*scatter: float) -> tuple[Handling, ...]:
    return tuple(
        replace(h, speed_sd=0.06 * s, stand_sd=0.3 * s)
        for h, s in zip(alike(), scatter, strict=True)
    )


WIDE = tuple(
    replace(h, spread=s) for h, s in zip(alike(), (0.1, 0.4, 0.1), strict=True)
)  # equal medians, unequal spread: the quick half of one treatment is early, the slow half late
SCENARIOS = {
    "log-normal": Scenario(),
    "gamma": Scenario(handlings=alike(law="gamma")),
    "log-logistic": Scenario(handlings=alike(law="log-logistic")),
    "two flushes": Scenario(handlings=alike(law="two flushes")),
    "heavy plots": Scenario(handlings=alike(heavy=True)),
    "lost and missed": Scenario(options={"lost": 0.15, "missed": 0.3}),
    "unequal plots": Scenario(options={"seeds": (20, 50, 100)}),
    "unequal scatter": Scenario(handlings=unlike(1, 1, 4)),
    "two scatter": Scenario(handlings=unlike(1, 3, 4)),
    "stopped early": Scenario(handlings=WIDE, options={"looks": tuple(range(5, 16))}),
    "stopped early, weekly": Scenario(handlings=WIDE, options={"looks": (8, 15)}),
}


def share_within(hits: int, number: int, low: float, high: float) -> bool:
    """Whether a share is within bounds as far as this many trials can tell (two sd)."""
    error = 2.0 * np.sqrt(max(hits, 1) / number * (1.0 - hits / number) / number)
    return low - error <= hits / number <= high + error


@pytest.fixture
def without_sentences(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out curves, sentences and the size of a next trial: most of the time, no test of it."""
    for name in ("emergence_curve", "emergence_shape"):
        monkeypatch.setattr(f"{analyse.__module__}.{name}", lambda *_, **__: None)
    for name in ("bottom_line", "verdict"):
        monkeypatch.setattr(f"{analyse.__module__}.{name}", lambda _: ())


@pytest.mark.slow
@pytest.mark.usefixtures("without_sentences")
@pytest.mark.parametrize("name", SCENARIOS)
def test_false_alarms_and_intervals_hold(name: str) -> None:
    """3 to 7 % a pair and at most 7 % a trial; 90 % intervals hold 87 to 93 %."""
    results = [SCENARIOS[name].analyse(number) for number in range(TRIALS)]
    for measure in (STAND, HALF):
        tests = [
            [d for d in r.differences if (d.measure, d.method) == (measure, BY_PLOTS)]
            for r in results
        ]
        compared = [d for one in tests for d in one if d.p_value is not None]
        alarms = sum(any(d.shown for d in one) for one in tests)
        pairs = {(d.a, d.b): [] for d in compared}
        for d in compared:
            pairs[d.a, d.b].append(d.p_value <= 0.05)
        covered = sum(d.low <= 0.0 <= d.high for d in compared)
        print(
            f"{name:22} {measure:20} compared {len(compared) / TRIALS / 3:4.0%}  a pair "
            f"{' '.join(f'{np.mean(hits):4.0%}' for hits in pairs.values()):14}  a trial "
            f"{alarms / TRIALS:4.0%}  covered {covered / max(len(compared), 1):4.0%}"
        )
        assert share_within(alarms, TRIALS, 0.0, 0.07)
        bounded = name.startswith("stopped")  # what may still come makes tests milder
        for hits in pairs.values():
            assert share_within(sum(hits), len(hits), 0.0 if bounded else 0.03, 0.07)
        if compared:
            assert share_within(covered, len(compared), 0.87, 1.0 if bounded else 0.93)
        finite = [abs(x) for d in compared for x in (d.low, d.high) if x is not None]
        assert max(finite, default=0.0) <= 40.0, "no interval is wider than the trial was long"
    misfits = sum(r.curve_fit.half_from == "step curve" for r in results)
    if name == "two flushes":
        assert share_within(misfits, TRIALS, 0.9, 1.0)
    elif name == "log-normal":
        assert share_within(misfits, TRIALS, 0.0, 0.05)


@pytest.mark.slow
@pytest.mark.usefixtures("without_sentences")
@pytest.mark.parametrize(
    "differs",
    [
        False,
        pytest.param(
            True,
            marks=pytest.mark.xfail(
                strict=True, reason="shown in 110 of 140 trials (79 %) on 2026-11-27; bar 80 %"
            ),
        ),
    ],
)
def test_an_interaction_is_shown_where_varieties_gain_differently(differs: bool) -> None:
    """Three varieties, treatments and blocks; pre-sprouting gains one of them 1.5 d, others 4.5."""
    handlings = (
        Handling(label="direct", half_d=14.0),
        Handling(label="soaked", half_d=13.0),
        Handling(label="presprouted", half_d=9.5),
    )
    gains = {("C", "presprouted"): -3.0} if differs else {}
    trials, interactions, shown = 60, 0, 0
    for number in range(trials):
        rng = np.random.default_rng([11, number])
        records = simulate_trial(
            rng, handlings, blocks=3, varieties=("A", "B", "C"), gains_d=gains,
            looks=tuple(range(4, 31)),
        )  # fmt: skip
        result = analyse(records)
        interactions += any(i.shown for i in result.interactions if i.measure == HALF)
        shown += any(
            d.shown
            for d in result.differences
            if (d.a, d.b, d.measure, d.method) == ("presprouted", "direct", HALF, BY_PLOTS)
        )
    share = interactions / trials
    print(f"interaction {differs!s:5}: shown in {share:.0%}, handling {shown / trials:.0%}")
    assert shown > 0.95 * trials
    if differs:
        assert share > 0.8
    else:
        assert share_within(interactions, trials, 0.0, 0.07)


def trial(looks: Sequence[float], handlings: Sequence[Handling] = (), **options: object):
    rng = np.random.default_rng(5)
    made = simulate_trial(rng, handlings or alike(), looks=looks, **options)  # type: ignore[arg-type]
    return analyse(made)


def test_one_look_gives_no_time() -> None:
    quick = (Handling(label="direct"), Handling(label="soaked", half_d=9.0))
    result = trial((14,), quick)
    assert result.counted_once
    for summary in result.treatments:
        assert summary.t50_since_planted_d is None
        assert summary.first_since_planted_d is None
    assert not any("t50" in d.measure for d in result.differences)
    assert any("only count" in line for line in result.bottom_line)


def test_seedlings_before_the_first_look_give_no_time() -> None:
    result = trial((30, 33, 36))
    assert all(summary.t50_since_planted_d is None for summary in result.treatments)
    assert any("look earlier" in warning for warning in result.warnings)
    assert any(d.measure == STAND and d.p_value is not None for d in result.differences)


def test_a_trial_that_was_stopped_early_compares_no_stand() -> None:
    result = trial(range(5, 13))
    stands = [d for d in result.differences if d.measure == STAND]
    assert {d.p_value for d in stands if d.method == BY_PLOTS} == {None}
    assert not any(d.shown for d in result.differences)
    assert any("still coming" in warning for warning in result.warnings)


def test_two_flushes_are_reported_and_half_is_of_the_counts() -> None:
    handlings = alike(law="two flushes", spread=0.12, second=0.35, later_d=11.0)
    records = simulate_trial(np.random.default_rng(5), handlings, seeds=100)
    result = analyse(records)
    assert result.curve_fit.half_from == "step curve"
    assert set(result.curve_fit.flushes) == set(LABELS)
    for first, second in result.curve_fit.flushes.values():
        assert first == pytest.approx(12.0, abs=1.5)
        assert second == pytest.approx(23.0, abs=2.0)
    assert any("two flushes" in warning for warning in result.warnings)
    days = (records["inspected"] - records["planted"]).dt.total_seconds() / 86_400
    for summary in result.treatments:
        mine = records["treatment"] == summary.treatment
        counts = records[mine].groupby(days[mine])["emerged"].sum()
        half = np.interp(counts.max() / 2, counts, counts.index)
        assert summary.t50_since_planted_d is not None
        assert summary.t50_since_planted_d.estimate == pytest.approx(half, abs=0.6)


def test_dishes_that_scatter_more_than_chance_are_named() -> None:
    """Four dishes of 100: 79 to 95 up against 84 to 87 (chi-square 13.8 and 0.4, 3 df)."""
    rows = [
        {"plot": f"{lot}{k}", "block": str(k), "treatment": lot, "planted": "2026-04-01",
         "seeds_planted": 100, "inspected": f"2026-04-{day:02}", "emerged": min(number, cap),
         "temperature_C": 20.0}
        for lot, counts in (("old lot", (79, 95, 82, 90)), ("new lot", (84, 87, 86, 85)))
        for k, number in enumerate(counts)
        for day, cap in ((5, 10), (8, 60), (14, 100), (20, 100))
    ]  # fmt: skip
    result = analyse(pd.DataFrame(rows))
    (warning,) = (w for w in result.warnings if "more than chance" in w)
    assert "old lot range from 79 to 95 %" in warning
    stands = {s.treatment: s.plot_stands for s in result.treatments}
    assert stands["old lot"].scatter_p == pytest.approx(0.0032, abs=0.0001)
    assert (stands["old lot"].lowest, stands["old lot"].highest) == (0.79, 0.95)


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_a_table_of_few_columns_takes_any_dates(unit: str) -> None:
    made = simulate_trial(np.random.default_rng(5), alike())
    columns = ["plot", "block", "treatment", "planted", "seeds_planted", "inspected", "emerged"]
    bare = made[columns].copy()
    for name in ("planted", "inspected"):
        bare[name] = bare[name].astype(f"datetime64[{unit}]")
    found = analyse(bare).treatments[0]
    whole = analyse(made).treatments[0]
    assert found.t50_since_planted_d is not None
    assert whole.t50_since_planted_d is not None
    assert found.t50_since_planted_d.estimate == whole.t50_since_planted_d.estimate
    assert found.stand.estimate == whole.stand.estimate
    text = bare.assign(planted="2026-04-20T12:00Z", inspected=bare["inspected"].astype(str))
    again = analyse(text).treatments[0].t50_since_planted_d
    assert again is not None
    assert again.estimate == found.t50_since_planted_d.estimate


def test_a_table_that_cannot_be_a_trial_is_refused() -> None:
    made = simulate_trial(np.random.default_rng(5), alike())
    with pytest.raises(InputError, match="no column 'planted'"):
        analyse(made.drop(columns="planted"))
    with pytest.raises(InputError, match="falls from one inspection"):
        analyse(made.assign(emerged=made["emerged"].to_numpy()[::-1]))
    with pytest.raises(InputError, match="more than the seeds planted"):
        analyse(made.assign(seeds_planted=3))
    with pytest.raises(InputError, match="holds no dates"):
        analyse(made.assign(planted="last Tuesday"))
    with pytest.raises(InputError, match="'depth_cm' holds no numbers"):
        analyse(made.assign(depth_cm="deep"))
    with pytest.raises(InputError, match="is there twice"):
        analyse(pd.concat([made, made.tail(1)]))
    with pytest.raises(InputError, match="has no planting"):
        analyse(made.assign(planted=made["planted"].where(made["plot"] != made["plot"].iloc[0])))
    with pytest.raises(InputError, match="of a plot with two treatments"):
        analyse(made.assign(treatment=np.where(np.arange(len(made)) % 2, "a", "b")))
    for name, value in (("emerged", 2.5), ("seeds_planted", np.nan), ("seeds_started", -3)):
        with pytest.raises(InputError, match="needs whole numbers, 0 or more"):
            analyse(made.assign(**{name: value}))
    with pytest.raises(InputError, match="no seed was planted"):
        analyse(made.assign(seeds_planted=0, seeds_started=0, emerged=0))
