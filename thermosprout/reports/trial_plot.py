"""Pictures of a trial: steps and bands of each treatment, and every block beside the others."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from thermosprout.errors import InputError
from thermosprout.reports.style import (
    EARTH,
    INK,
    LEAF,
    QUIET,
    TREATMENT_INK,
    TREATMENT_LINE,
    WATER,
    own_style,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.trials.analysis.curves import PlotSteps

_INKS = (EARTH, WATER, LEAF, "#5b4a87", "#7a2e3a", QUIET)
_LINES: tuple[Any, ...] = (
    "-",
    (0, (6, 2)),
    (0, (2, 1.4)),
    (0, (8, 2, 2, 2)),
    (0, (1, 2)),
    (0, (4, 4)),
)
_MARKS = ("o", "s", "^", "D", "v", "P")
_CLOCKS = {
    "planted": "days since planted",
    "started": "days since started",
    "thermal": "thermal time since planted, °C d",
}
_MOST = 6
_MOST_BLOCKS = 48


def _look(label: str, index: int) -> tuple[str, Any, str]:
    """Ink, line and mark of a treatment; each of them alone tells treatments apart."""
    known = label.casefold()
    place = list(TREATMENT_INK).index(known) if known in TREATMENT_INK else index
    return (
        TREATMENT_INK.get(known, _INKS[place % len(_INKS)]),
        TREATMENT_LINE.get(known, _LINES[place % len(_LINES)]),
        _MARKS[place % len(_MARKS)],
    )


def curves_figure(document: Mapping[str, Any]) -> Figure:
    """Emergence curve of each treatment with its band.

    Parameters
    ----------
    document : mapping
        As :meth:`thermosprout.trials.analysis.results.TrialResult.to_json` gives it.

    Raises
    ------
    InputError
        When there is no curve to draw.
    """
    items = [t for t in document["treatments"] if t["curve"] and t["curve"]["right"]]
    if not items:
        raise InputError("there is no curve to draw: nothing has emerged")
    shown = items[:_MOST]
    with own_style():
        from matplotlib.figure import Figure

        figure = Figure(figsize=(7.2, 4.3), layout="constrained")
        axes = figure.subplots()
        ends = []
        last = max(item["curve"]["right"][-1] for item in shown)
        for index, item in enumerate(shown):
            ends.append(_curve(axes, item, index, last))
        _label_ends(axes, ends, last)
        axes.set_xlim(0, last * 1.28)
        axes.set_ylim(0, min(1.02, 1.12 * max(max(i["curve"]["high"]) for i in shown)))
        axes.yaxis.set_major_formatter(lambda y, _: f"{100 * y:.0f}")
        axes.set_xlabel(_CLOCKS[shown[0]["curve"]["clock"]])
        axes.set_ylabel("emerged, per 100 seeds planted")
        level = round(100 * document["interval"])
        axes.set_title("Emergence by " + document["compared"].replace("_", " "))
        more = f"; {len(items) - _MOST} more not drawn" if len(items) > _MOST else ""
        figure.supxlabel(
            f"Slanted: came between two inspections. Bands: {level} of 100, plots' differences "
            f"included{more}.",
            fontsize=7.5, color=QUIET, x=0.01, ha="left",
        )  # fmt: skip
    return figure


def _curve(axes: Axes, item: Mapping[str, Any], index: int, last: float) -> tuple[float, str, str]:
    ink, line, mark = _look(item["treatment"], index)
    curve = item["curve"]
    days, share, low, high = _steps(curve, last)
    axes.fill_between(days, low, high, color=ink, alpha=0.13, linewidth=0)
    axes.plot(days, share, color=ink, linestyle=line, linewidth=1.9)
    axes.plot(
        curve["right"], curve["emerged"], mark, color=ink, markersize=3.4, markerfacecolor="white"
    )
    return float(share[-1]), str(item["treatment"]), ink


def _steps(
    curve: Mapping[str, list[float]], last: float
) -> tuple[list[float], list[float], list[float], list[float]]:
    """Flat where nothing came, slanted across the interval in which seedlings came."""
    days, share, low, high = [0.0], [0.0], [0.0], [0.0]
    ends = zip(
        curve["left"], curve["right"], curve["emerged"], curve["low"], curve["high"], strict=True
    )
    for left, right, now, bottom, top in ends:
        if left > days[-1]:
            days.append(left)
            share.append(share[-1])
            low.append(low[-1])
            high.append(high[-1])
        days.append(right)
        share.append(now)
        low.append(bottom)
        high.append(top)
    days.append(last * 1.02)
    for column in (share, low, high):
        column.append(column[-1])
    return days, share, low, high


def _label_ends(axes: Axes, ends: Sequence[tuple[float, str, str]], last: float) -> None:
    """Names at the ends of the lines, moved apart where they would meet."""
    gap = 0.065 * max(height for height, _, _ in ends)
    below = -1.0
    for height, name, ink in sorted(ends):
        at = max(height, below + gap)
        below = at
        axes.annotate(
            name[:22], (last * 1.02, height), xytext=(last * 1.06, at), color=ink, va="center",
            fontsize=9, fontweight="bold",
            arrowprops={"arrowstyle": "-", "color": ink, "linewidth": 0.5},
        )  # fmt: skip


def blocks_figure(steps: Sequence[PlotSteps]) -> Figure:
    """Counts of every plot, one small picture per block.

    Raises
    ------
    InputError
        When there is nothing to draw or there are too many blocks for one picture.
    """
    blocks: dict[str, list[PlotSteps]] = {}
    for item in steps:
        blocks.setdefault(item.block, []).append(item)
    if not blocks:
        raise InputError("there is no count to draw")
    if len(blocks) > _MOST_BLOCKS:
        raise InputError(
            f"{len(blocks)} blocks are too many for one picture", hint="draw a part of the records"
        )
    labels = sorted({item.label for item in steps}, key=_known_first)
    columns = min(4, len(blocks))
    rows = -(-len(blocks) // columns)
    with own_style():
        from matplotlib.figure import Figure

        figure = Figure(figsize=(1.9 * columns + 0.9, 1.75 * rows + 1.2), layout="constrained")
        grid = figure.subplots(rows, columns, sharex=True, sharey=True, squeeze=False)
        for axes, (block, mine) in zip(grid.flat, blocks.items(), strict=False):
            for item in mine:
                ink, line, mark = _look(item.label, labels.index(item.label))
                turns = [
                    i for i in range(1, len(item.days)) if item.emerged[i] > item.emerged[i - 1]
                ]
                axes.plot(
                    item.days, item.emerged, color=ink, linestyle=line, linewidth=1.3,
                    drawstyle="steps-post", marker=mark, markevery=turns or [0], markersize=2.6,
                    markerfacecolor="white",
                )  # fmt: skip
            axes.set_title(f"block {block}" if len(block) < 6 else block, fontsize=8.5, color=INK)
            axes.set_ylim(0, 1.02)
        for axes in list(grid.flat)[len(blocks) :]:
            axes.set_visible(False)
        grid[0][0].yaxis.set_major_formatter(lambda y, _: f"{100 * y:.0f}")
        handles = [_handle(label, index) for index, label in enumerate(labels)]
        figure.legend(
            handles=handles, loc="outside upper left", ncols=min(4, len(labels)), frameon=False
        )
        figure.supxlabel("days since planted", fontsize=9)
        figure.supylabel("emerged, per 100 planted", fontsize=9)
    return figure


def _known_first(label: str) -> tuple[int, str]:
    known = list(TREATMENT_INK)
    folded = label.casefold()
    return (known.index(folded) if folded in known else len(known), label)


def _handle(label: str, index: int) -> Any:
    from matplotlib.lines import Line2D

    ink, line, mark = _look(label, index)
    return Line2D(
        [], [], color=ink, linestyle=line, marker=mark, markersize=3.5, markerfacecolor="white",
        label=label[:26],
    )  # fmt: skip
