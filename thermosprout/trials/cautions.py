"""What to keep in mind when reading a trial: each caution is one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.trials.adjusting import holm_adjusted
from thermosprout.trials.comparing import BY_PLOTS
from thermosprout.trials.intervals import plot_intervals
from thermosprout.trials.measures import LEAST_SEEDLINGS, PlotScores
from thermosprout.trials.permutation import blocks_for_p
from thermosprout.trials.verdict import is_shown

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.trials.comparing import Group
    from thermosprout.trials.results import Difference


_STILL_COMING = 0.1
_LEVEL = 0.05


def cautions(
    records: pd.DataFrame, group: Group, scores: PlotScores, found: list[Difference]
) -> tuple[str, ...]:
    """All cautions that apply to a trial.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts.
    group : Group
        All plots.
    scores : PlotScores
    found : list of Difference
        All comparisons.
    """
    parts = (
        _replicates(group),
        _permutations(found),
        _selected(group),
        _days(group),
        _mixed_up(group),
        _gaps(records),
        _unfinished(records, group),
        _left_out(group, scores),
    )
    return tuple(sentence for part in parts for sentence in part)


def _replicates(group: Group) -> Iterator[str]:
    plots = np.bincount(group.treatment, minlength=len(group.labels))
    single = [label for label, n in zip(group.labels, plots, strict=True) if n == 1]
    if len(group.labels) > 1 and single:
        yield (
            f"{_list(single)} {'has' if len(single) == 1 else 'have'} a single plot: what belongs "
            "to the treatment and what to that plot cannot be told apart. Repeat each treatment "
            "in several blocks"
        )
    table = np.zeros((len(group.labels), int(group.block.max()) + 1), dtype=int)
    np.add.at(table, (group.treatment, group.block), 1)
    together = ((table > 0).sum(axis=0) > 1).sum()
    if len(group.labels) > 1 and not together:
        yield (
            "no block holds more than one treatment, so that treatments were compared as if "
            "their plots had been placed at random; a slope in the ground would look like an effect"
        )
    elif len(group.labels) > 1 and (table == 0).any():
        yield "not every block holds every treatment; blocks without one tell less about it"


def _permutations(found: list[Difference]) -> Iterator[str]:
    worst, comparisons = _smallest_p(found)
    if worst <= _LEVEL:
        return
    of = f", adjusted for {comparisons} comparisons," if comparisons > 1 else ""
    why = (
        f"with so few blocks (its smallest p{of} is {worst:.2g}; "
        f"{blocks_for_p(_LEVEL, comparisons)} blocks of one plot per treatment would do)"
    )
    if any(is_shown(item) for item in found if item.method == BY_PLOTS):
        yield (
            "what is called shown rests on how plots differ within their blocks (Student's t); the "
            f"check by permutation, which assumes less, cannot confirm it at 5 % {why}"
        )
    else:
        yield f"the check by permutation cannot reach 5 % {why}"


def _smallest_p(found: list[Difference]) -> tuple[float, int]:
    """Largest of the smallest p values by permutation after adjustment; comparisons it is of."""
    families: dict[str, list[float]] = {}
    for item in found:
        if item.smallest_p is not None:
            families.setdefault(item.measure, []).append(item.smallest_p)
    # A comparison is adjusted least where all others are at their smallest too.
    return max(
        ((float(holm_adjusted(family).max()), len(family)) for family in families.values()),
        default=(0.0, 1),
    )


def _selected(group: Group) -> Iterator[str]:
    plots = group.plots
    chosen = plots["treatment"].str.casefold() == "presprouted"
    if (
        chosen.any()
        and (plots.loc[chosen, "seeds_planted"] < plots.loc[chosen, "seeds_started"]).any()
    ):
        yield (
            "pre-sprouted seed is a selected group: only seed that sprouted was planted, so that "
            "its stand per seed planted is no fair comparison; use the stand per seed started"
        )
    elif chosen.any():
        yield (
            "pre-sprouted seed is a selected group when only sprouted seed is planted; the records "
            "say that every seed started was planted"
        )


def _days(group: Group) -> Iterator[str]:
    plots = group.plots
    days = plots["planted"].dt.floor("D")
    if days.nunique() < 2 or len(group.labels) < 2:
        return
    by_treatment = [frozenset(days[group.treatment == i]) for i in range(len(group.labels))]
    if len(set(by_treatment)) > 1:
        yield (
            "treatments were planted on different days and met different weather; days since "
            "planting mix the two, the thermal-time clock (with a soil temperature) takes the "
            "weather out"
        )
    else:
        yield "plots were planted on different days; each treatment has plots of every day"


def _mixed_up(group: Group) -> Iterator[str]:
    plots = group.plots
    for column, words in (("seed_lot", "seed lot"), ("variety", "variety"), ("depth_cm", "depth")):
        values = plots[column].astype(str)
        if values.nunique() < 2:
            continue
        sets = [frozenset(values[group.treatment == i]) for i in range(len(group.labels))]
        if len(set(sets)) > 1 and not any(a & b for a in sets for b in sets if a is not b):
            yield (
                f"every treatment has its own {words}, so that an effect of the one cannot be told "
                "from an effect of the other"
            )


def _gaps(records: pd.DataFrame) -> Iterator[str]:
    intervals = plot_intervals(records, "planted")
    came = intervals[np.isfinite(intervals["right"])]
    if came.empty:
        return
    gap = float(
        np.average((came["right"] - came["left"]).to_numpy(), weights=came["seeds"].to_numpy())
    )
    if gap > 1.5:
        yield (
            f"when the seedlings came, the plots were looked at about every {gap:.1f} days: the "
            f"day of a single plot is not known better than that, and differences of less than "
            f"about {gap / 2:.1f} days are hard to see; look every day while they come"
        )


def _unfinished(records: pd.DataFrame, group: Group) -> Iterator[str]:
    ordered = records.sort_values(["plot", "inspected"], kind="stable")
    # A plot that was counted once came up at one look for want of others.
    twice = ordered.groupby("plot", sort=False).filter(lambda rows: len(rows) > 1)
    if twice.empty:
        yield "plots were counted once only: the stand can be compared, the time cannot"
        return
    emerged = twice.groupby("plot", sort=False)["emerged"]
    total = float(emerged.nth(-1).to_numpy(dtype=float).sum())
    before = float(emerged.nth(-2).to_numpy(dtype=float).sum())
    if total > 0 and (total - before) / total > _STILL_COMING:
        yield (
            "seedlings were still coming at the last inspection, so that the final stand is not "
            "known yet and times to half of it may be too early"
        )


def _left_out(group: Group, scores: PlotScores) -> Iterator[str]:
    few = scores.seedlings[group.rows] < LEAST_SEEDLINGS
    if few.any():
        names = list(group.plots.loc[few, "plot"])
        yield (
            f"{_list(names)} had fewer than {LEAST_SEEDLINGS} seedlings and "
            f"{'is' if len(names) == 1 else 'are'} left out of the times (not of the stand)"
        )


def _list(names: list[str]) -> str:
    shown = names[:6] + ([f"{len(names) - 6} more"] if len(names) > 6 else [])
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " and " + shown[-1]
