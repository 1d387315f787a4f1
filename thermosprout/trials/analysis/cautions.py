"""What to keep in mind when reading a trial: each caution is one sentence."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.analysis.compare import BY_PLOTS, LEVEL, still_to_come
from thermosprout.trials.analysis.measures import LEAST_SEEDLINGS, scatter_p
from thermosprout.trials.analysis.pairs import blocks_for_p
from thermosprout.trials.analysis.results import CurveFit, Difference
from thermosprout.trials.analysis.sentences import join_names
from thermosprout.trials.analysis.timing import EARLY_SHARE, plot_intervals

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.trials.analysis.compare import Group


_SCATTER_P = 0.01


def cautions(
    records: pd.DataFrame,
    group: Group,
    differences: list[Difference],
    fit: CurveFit,
) -> tuple[str, ...]:
    """All cautions that apply to a trial, of all its plots and comparisons."""
    parts = (
        _replicates(group),
        _permutations(differences),
        _selected(group),
        _days(group),
        _mixed_up(group),
        _gaps(records),
        _looks(group),
        _unfinished(group),
        _shape(fit),
        _scatter(group),
        _left_out(group),
    )
    return tuple(sentence for part in parts for sentence in part)


def _replicates(group: Group) -> Iterator[str]:
    plots = np.bincount(group.treatment, minlength=len(group.labels))
    single = [label for label, n in zip(group.labels, plots, strict=True) if n == 1]
    if len(group.labels) > 1 and single:
        yield (
            f"{join_names(single)} {'has' if len(single) == 1 else 'have'} a single plot: what "
            "belongs to the treatment and what to that plot cannot be told apart. Repeat each "
            "treatment in several blocks"
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


def _permutations(differences: list[Difference]) -> Iterator[str]:
    worst, comparisons = _smallest_p(differences)
    if worst <= LEVEL:
        return
    of = f", adjusted for {comparisons} comparisons," if comparisons > 1 else ""
    why = (
        f"with so few blocks (its smallest p{of} is {worst:.2g}; "
        f"{blocks_for_p(LEVEL, comparisons)} blocks of one plot per treatment would do)"
    )
    if any(item.shown for item in differences if item.method == BY_PLOTS):
        yield (
            "clear differences rest on how plots vary within their blocks (Student's t); the "
            f"permutation check, which assumes less, cannot confirm them at 5 % {why}"
        )
    else:
        yield f"the permutation check cannot reach 5 % {why}"


def _smallest_p(differences: list[Difference]) -> tuple[float, int]:
    """Largest of the smallest p values by permutation after adjustment; comparisons it is of."""
    families: dict[str, list[float]] = {}
    for item in differences:
        if item.smallest_p is not None:
            families.setdefault(item.measure, []).append(item.smallest_p)
    # A comparison is adjusted least where all others are at their smallest too.
    return max(
        ((float(holm_adjusted(family).max()), len(family)) for family in families.values()),
        default=(0.0, 1),
    )


def _selected(group: Group) -> Iterator[str]:
    plots = group.plots
    sprouts = plots["treatment"].str.casefold() == "presprouted"
    if (
        sprouts.any()
        and (plots.loc[sprouts, "seeds_planted"] < plots.loc[sprouts, "seeds_started"]).any()
    ):
        yield (
            "only sprouted seed was planted, a selected group: compare the stand per seed started, "
            "not per seed planted"
        )
    elif sprouts.any():
        yield (
            "sprouted seed is a selected group where the rest is left out; the records say that "
            "every seed started was planted"
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


def _looks(group: Group) -> Iterator[str]:
    if (group.scores.timing.looks < 2).all():
        yield (
            "plots were counted once only: the plants of that day can be compared, the time "
            "cannot, nor the final stand if more were to come"
        )
        return
    timing, members = group.scores.timing, group.members
    early = [
        label
        for label, plots in zip(group.labels, members, strict=True)
        if timing.came[plots].sum() > 0 and not timing.timed(plots)
    ]
    if early:
        yield (
            f"more than {100 * EARLY_SHARE:.0f} % of the seedlings of {join_names(early)} were up "
            "at the first look, so that their time is not known; look earlier"
        )


def _unfinished(group: Group) -> Iterator[str]:
    rest = still_to_come(group, "seeds_planted")
    names = [label for label, late in zip(group.labels, rest.unfinished, strict=True) if late]
    if names:
        yield (
            f"seedlings of {join_names(names)} were still coming at the last look, too many for "
            "the final stand, or the day of half of it, to be known or compared; count on until "
            "hardly any come"
        )


def _shape(fit: CurveFit) -> Iterator[str]:
    if fit.half_from == "log-normal":
        return
    flushes = [
        f"{label} (about day {first:.0f} and day {second:.0f})"
        for label, (first, second) in fit.flushes.items()
    ]
    if flushes:
        yield (
            f"seedlings came in two flushes in {join_names(flushes)}; half emergence is read from "
            "the counts themselves (step curve)"
        )
    else:
        yield (
            "the usual curve (log-normal) does not fit these counts, so that half emergence is "
            "read from the counts themselves (step curve)"
        )


def _scatter(group: Group) -> Iterator[str]:
    """Dishes of one lot should differ by chance alone; plots in the ground always differ more."""
    if group.plots["temperature_C"].isna().any():
        return
    for index, label in enumerate(group.labels):
        mine = group.treatment == index
        seeds = group.plots.loc[mine, "seeds_planted"].to_numpy(dtype=float)
        came = group.scores.seedlings[mine]
        p = scatter_p(came, seeds)
        if p is not None and p < _SCATTER_P:
            share = 100 * came[seeds > 0] / seeds[seeds > 0]
            yield (
                f"dishes of {label} range from {share.min():.0f} to {share.max():.0f} %, more than "
                f"chance among seeds explains (p = {p:.2g}): look for a fault in the test or a "
                "mixed lot, and repeat it"
            )


def _left_out(group: Group) -> Iterator[str]:
    few = group.scores.seedlings < LEAST_SEEDLINGS
    if few.any():
        names = list(group.plots.loc[few, "plot"])
        yield (
            f"{join_names(names)} had fewer than {LEAST_SEEDLINGS} seedlings and "
            f"{'is' if len(names) == 1 else 'are'} left out of the times (not of the stand)"
        )
