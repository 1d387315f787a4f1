"""The outcome of a trial in sentences: first what a grower would repeat, then what supports it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from thermosprout.trials.analysis.compare import BY_PLOTS
from thermosprout.trials.analysis.measures import (
    COMPARED,
    STAND,
    STAND_STARTED,
    T50_PLANTED,
    THERMAL_50,
    Measure,
)
from thermosprout.trials.analysis.results import Difference, TrialResult
from thermosprout.trials.power import blocks_needed

_MOST_SENTENCES = 8
_MOST_OPENING = 3
_ONE_COUNT = ", on the day of the only count"
_HANDLING = {"soaked": "Soaking", "presprouted": "Pre-sprouting", "direct": "Direct sowing"}


def bottom_line(result: TrialResult) -> tuple[str, ...]:
    """One to three sentences on each treatment against the first, for a neighbour over the fence.

    The first treatment is ``direct`` where it is in the trial.
    """
    labels = [summary.treatment for summary in result.treatments]
    if len(labels) < 2:
        return ("One treatment: nothing to compare",)
    by_pair = {
        (item.a, item.measure): item
        for item in result.differences
        if item.b == labels[0] and item.method == BY_PLOTS
    }
    stands = any((label, STAND_STARTED.name) in by_pair for label in labels)
    stand = STAND_STARTED if stands else STAND
    lines = [
        _Line(
            name=_name(label),
            time=by_pair.get((label, T50_PLANTED.name)),
            stand=by_pair.get((label, stand.name)),
        )
        for label in labels[1:]
    ]
    against = "" if labels[0] == "direct" else f" against {labels[0]}"
    clear = [line for line in lines if line.shows]
    unclear = [line for line in lines if not line.shows]
    opening = lines if len(lines) <= _MOST_OPENING else clear[: _MOST_OPENING - 1]
    sentences = [f"{line.name}{against}: {line.words(stand)}" for line in opening]
    if len(lines) > len(opening):
        rest = len(clear) - len(opening)
        more = f"{rest} more differ in something; " if rest > 0 else ""
        sentences.append(
            f"{more}no clear difference for {len(unclear)} of {len(lines)} others"
            + (against or " against direct")
        )
    if result.counted_once:
        sentences = [f"{sentence}{_ONE_COUNT}" for sentence in sentences]
    sentences = sentences[:_MOST_OPENING]
    if any(item.shown for item in result.interactions):
        sentences[_MOST_OPENING - 1 :] = ["What it brings differs between varieties, see below"]
    return tuple(sentences)


@dataclass(frozen=True, kw_only=True)
class _Line:
    """One treatment against the first: what is to be said of its time and of its stand."""

    name: str
    time: Difference | None
    stand: Difference | None

    @property
    def shows(self) -> bool:
        """Whether anything differs."""
        return any(item is not None and item.shown for item in (self.time, self.stand))

    def words(self, stand: Measure) -> str:
        """Both halves of the sentence."""
        started = stand is STAND_STARTED
        per, of = (" per seed started", "seeds started") if started else ("", "seeds")
        time = _in_brief(
            self.time, T50_PLANTED, "time", "up at the same time", "not clearly sooner or later",
            lambda days: f"up {_round_days(days)} {_way(T50_PLANTED, days)}",
        )  # fmt: skip
        plants = _in_brief(
            self.stand, stand, "stand", f"as many plants{per}",
            f"no clear difference in plants{per}",
            lambda share: f"{100 * abs(share):.0f} {'more' if share > 0 else 'fewer'} plants "
            f"from 100 {of}",
        )  # fmt: skip
        return f"{time}, {plants}"


def _in_brief(
    item: Difference | None,
    measure: Measure,
    name: str,
    alike: str,
    unclear: str,
    clear: Callable[[float], str],
) -> str:
    """Half a sentence on one difference."""
    if item is None or item.estimate is None:
        return f"{name} not known"
    if item.shown:
        return clear(item.estimate)
    if item.low is None or item.high is None:
        return f"{name} not compared"
    widest = max(abs(item.low), abs(item.high))
    return alike if measure.small is not None and widest < measure.small else unclear


def _name(label: str) -> str:
    return _HANDLING.get(label.casefold(), label[:1].upper() + label[1:])


def _round_days(days: float) -> str:
    size = abs(days)
    number = f"{size:.0f}" if size >= 2.95 else f"{size:.1f}".removesuffix(".0")
    return f"{number} day{'' if number == '1' else 's'}"


def verdict(result: TrialResult) -> tuple[str, ...]:
    """Sentences on all comparisons, those that are shown first."""
    if len(result.treatments) < 2:
        return ("There is one treatment, so there is nothing to compare",)
    clear: list[str] = []
    unclear: list[str] = []
    for measure in COMPARED:
        mine = [
            item
            for item in result.differences
            if item.measure == measure.name and item.method == BY_PLOTS
        ]
        once = _ONE_COUNT if result.counted_once and measure.kind == "share" else ""
        for sentences, words, state in (
            (clear, _clear, "differ clearly"), (unclear, _unclear, "do not differ clearly"),
        ):  # fmt: skip
            items = [item for item in mine if item.shown is (sentences is clear)]
            sentences += [f"{words(measure, item)}{once}" for item in items[:_MOST_SENTENCES]]
            if (rest := len(items) - _MOST_SENTENCES) > 0:
                sentences.append(f"{rest} more pairs {state} in {measure.words}{once}")
    sentences = [*clear, *_varieties(result), *unclear, *_next_trial(result)]
    if result.comparisons > 1:
        sentences.append(
            f"Ranges are {100 * result.interval:.0f} % intervals; p is adjusted for the number of "
            f"comparisons of a measure (Holm), {result.comparisons} tests in all"
        )
    return tuple(sentences)


def amount(measure: Measure, size: float) -> str:
    """Size of a difference with its unit, without its sign."""
    if measure.kind == "share":
        points = f"{abs(size) * 100:.0f}"
        return f"{points} point{'' if points == '1' else 's'}"
    if measure is THERMAL_50:
        return f"{abs(size):.0f} °C d"
    return f"{abs(size):.1f} days"


def _span(measure: Measure, near: float, far: float) -> str:
    """Two sizes with their unit said once, as 0.4–1.2 days."""
    return f"{amount(measure, near).split(' ')[0]}–{amount(measure, far)}"


def _end(measure: Measure, size: float) -> str:
    """End of an interval in words, as "1.3 days sooner"; "no different" where it rounds to zero."""
    words = amount(measure, size)
    return "no different" if float(words.split(" ")[0]) == 0.0 else f"{words} {_way(measure, size)}"


def _way(measure: Measure, size: float) -> str:
    if measure.kind == "share":
        return "higher" if size > 0 else "lower"
    if measure is THERMAL_50:
        return "more" if size > 0 else "less"
    return "later" if size > 0 else "sooner"


def _p(p: float | None) -> str:
    if p is None:
        return ""
    return "p < 0.001" if p < 0.001 else f"p = {p:.2f}" if p >= 0.095 else f"p = {p:.2g}"


def _clear(measure: Measure, item: Difference) -> str:
    estimate = item.estimate or 0.0
    sentence = measure.sentence.format(
        a=item.a, b=item.b, amount=amount(measure, estimate), way=_way(measure, estimate)
    )
    if item.low is None or item.high is None:
        return f"{sentence} ({_p(item.p_adjusted)})"
    # Adjusted for many comparisons p may stand while the plain interval is wider than zero.
    near, far = sorted((item.low, item.high), key=abs)
    return f"{sentence} ({_span(measure, near, far)}; {_p(item.p_adjusted)})"


def _unclear(measure: Measure, item: Difference) -> str:
    if item.p_value is None:
        return f"{item.a} and {item.b} are not compared in {measure.words}"
    head = f"No clear difference between {item.a} and {item.b} in {measure.words}"
    if item.low is None or item.high is None:
        return f"{head}; the plots are too few to say how large it could be"
    if measure.small is not None and max(abs(item.low), abs(item.high)) < measure.small:
        return f"{head}: less than {amount(measure, measure.small)}, too little to act on"
    tail = f" ({_p(item.p_adjusted)})" if item.p_adjusted is not None else ""
    if item.low < 0 < item.high:
        return (
            f"{head}: {item.a} could be anything from {_end(measure, item.low)} to "
            f"{_end(measure, item.high)}{tail}"
        )
    near, far = sorted((item.low, item.high), key=abs)
    return (
        f"{head}: {item.a} looks {_span(measure, near, far)} {_way(measure, far)}, but it may be "
        f"chance{tail}"
    )


def _varieties(result: TrialResult) -> Iterator[str]:
    """Whether varieties differ in what handling brings, and where most."""
    measures = {measure.name: measure for measure in COMPARED}
    for item in result.interactions:
        measure = measures[item.measure]
        if not item.shown:
            yield (
                f"No clear sign that varieties differ in what handling does to {measure.words} "
                f"({_p(item.p_value)})"
            )
            continue
        gaps: dict[tuple[str, str], dict[str, float]] = {}
        for variety in result.varieties:
            for d in variety.differences:
                if d.measure == item.measure and d.method == BY_PLOTS and d.estimate is not None:
                    gaps.setdefault((d.a, d.b), {})[variety.variety] = d.estimate
        if not gaps:
            continue
        (a, b), each = max(gaps.items(), key=lambda pair: np.ptp(list(pair[1].values())))
        parts = [
            f"{amount(measure, gap)} {_way(measure, gap)} in {variety}"
            for variety, gap in sorted(each.items(), key=lambda pair: pair[1])[:6]
        ]
        yield (
            f"Varieties differ in what handling does to {measure.words} ({_p(item.p_value)}): "
            f"{a} against {b} {join_names(parts)}"
        )


def _next_trial(result: TrialResult) -> Iterator[str]:
    """What a next trial like this one would need to show a difference worth knowing."""
    treatments = len(result.treatments)
    for measure, size, words in ((T50_PLANTED, 1.0, "1-day"), (STAND, 0.1, "10-point")):
        if measure.name not in result.variation.error:
            continue
        error = result.variation.error[measure.name]
        gap = score_gap(measure, error.scale, size, result)
        if error.df < 2 or gap is None:
            continue
        plots = blocks_needed(gap, error.variance, treatments, variance_df=error.df)
        what = "difference in stand" if measure is STAND else "difference"
        head = f"To detect a {words} {what} (80 % power, 5 % level) a similar trial needs"
        if plots is None:
            yield f"{head} more than 60 plots of each treatment: larger plots or a more even bed"
        else:
            yield f"{head} {plots} plots of each treatment, if none is lost"


def score_gap(measure: Measure, scale: str, size: float, result: TrialResult) -> float | None:
    """Difference of scores that a difference in the measure's unit comes to in this trial."""
    if scale == "plain":
        return size
    values = [getattr(summary, measure.name) for summary in result.treatments]
    centres = [value.estimate for value in values if value is not None]
    centres = [c for c in centres if math.isfinite(c)]
    if not centres:
        return None
    if measure.kind == "share":
        middle = float(np.mean([np.arcsin(np.sqrt(np.clip(c, 0.0, 1.0))) for c in centres]))
        return float(np.arcsin(min(1.0, size / max(np.sin(2.0 * middle), 0.2))))
    middle = float(np.exp(np.mean(np.log(centres))))
    return float(2.0 * np.arcsinh(size / (2.0 * middle)))


def join_names(names: Sequence[str]) -> str:
    """Names as a sentence lists them, the first six at most."""
    items = [*names[:6], *([f"{len(names) - 6} more"] if len(names) > 6 else [])]
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1]
