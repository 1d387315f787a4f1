"""Pictures of trials: the bed's layout, curves, blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from thermosprout.errors import InputError
from thermosprout.reports.row_picture import LEFT, TOP, WIDTH, Mark, Scale, share_axis
from thermosprout.reports.style import (
    FAINT,
    INK,
    LOOKS,
    PAPER,
    QUIET,
    TREATMENT_LOOKS,
    own_style,
    spaced,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.trials.design import Spot
    from thermosprout.trials.records.read import PlotSteps


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
    names = list(TREATMENT_LOOKS)
    place = names.index(label.casefold()) if label.casefold() in names else index
    ink, line = LOOKS[place % len(LOOKS)]
    return ink, line, _MARKS[place % len(_MARKS)]


def curves_figure(document: Mapping[str, Any]) -> Figure:
    """Emergence curve of each treatment with its band; see :func:`draw_curves`."""
    from matplotlib.figure import Figure

    with own_style():
        figure = Figure(figsize=(7.2, 4.3), layout="constrained")
        draw_curves(figure.subplots(), document)
    return figure


def draw_curves(axes: Axes, document: Mapping[str, Any]) -> Axes:
    """Draw the curve of each treatment on axes that are given.

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
    curves = items[:_MOST]
    with own_style():
        last = max(item["curve"]["right"][-1] for item in curves)
        ends = [_curve(axes, item, index, last) for index, item in enumerate(curves)]
        _label_ends(axes, ends, last)
        axes.set_xlim(0, last * 1.28)
        axes.set_ylim(0, min(1.02, 1.12 * max(max(i["curve"]["high"]) for i in curves)))
        axes.yaxis.set_major_formatter(lambda y, _: f"{100 * y:.0f}")
        axes.set_xlabel(_CLOCKS[curves[0]["curve"]["clock"]])
        axes.set_ylabel("emerged, per 100 seeds planted")
        level = round(100 * document["interval"])
        axes.set_title("Emergence by " + document["compared"].replace("_", " "))
        more = f"; {len(items) - _MOST} more not drawn" if len(items) > _MOST else ""
        axes.figure.supxlabel(
            f"Slanted lines: seedlings came between two inspections. Bands: {level} % intervals, "
            f"with the spread among plots{more}.",
            fontsize=7.5, color=QUIET, x=0.01, ha="left",
        )  # fmt: skip
    return axes


def _curve(axes: Axes, item: Mapping[str, Any], index: int, last: float) -> tuple[float, str, str]:
    ink, line, mark = _look(item["treatment"], index)
    curve = item["curve"]
    (days, share), (_, low), (_, high) = (
        _steps(curve, name, 1.02 * last) for name in ("emerged", "low", "high")
    )
    axes.fill_between(days, low, high, color=ink, alpha=0.13, linewidth=0)
    axes.plot(days, share, color=ink, linestyle=line, linewidth=1.9)
    axes.plot(
        curve["right"], curve["emerged"], mark, color=ink, markersize=3.4, markerfacecolor="white"
    )
    return float(share[-1]), str(item["treatment"]), ink


def _steps(curve: Mapping[str, Any], name: str, last: float) -> tuple[list[float], list[float]]:
    """Days and shares: flat where nothing came, slanted across the interval in which some did."""
    days, share = [0.0], [0.0]
    for left, right, now in zip(curve["left"], curve["right"], curve[name], strict=True):
        days += [left, right]
        share += [share[-1], now]
    return [*days, last], [*share, share[-1]]


def _label_ends(axes: Axes, ends: Sequence[tuple[float, str, str]], last: float) -> None:
    """Names at the ends of the lines, moved apart where they would meet."""
    heights = [height for height, _, _ in sorted(ends)]
    for at, (height, name, ink) in zip(
        spaced(heights, 0.065 * heights[-1]), sorted(ends), strict=True
    ):
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
    labels = sorted({item.label for item in steps}, key=_order)
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
        for place, axes in enumerate(grid.flat):
            axes.set_visible(place < len(blocks))
            axes.tick_params(labelbottom=place + columns >= len(blocks))
        grid[0][0].yaxis.set_major_formatter(lambda y, _: f"{100 * y:.0f}")
        handles = [_handle(label, index) for index, label in enumerate(labels)]
        figure.legend(
            handles=handles, loc="outside upper left", ncols=min(4, len(labels)), frameon=False
        )
        figure.supxlabel("days since planted", fontsize=9)
        figure.supylabel("emerged, per 100 planted", fontsize=9)
    return figure


def _order(label: str) -> tuple[int, str]:
    known = list(TREATMENT_LOOKS)
    folded = label.casefold()
    return (known.index(folded) if folded in known else len(known), label)


def _handle(label: str, index: int) -> Any:
    from matplotlib.lines import Line2D

    ink, line, mark = _look(label, index)
    return Line2D(
        [], [], color=ink, linestyle=line, marker=mark, markersize=3.5, markerfacecolor="white",
        label=label[:26],
    )  # fmt: skip


_HATCH = ("", "////", "....", "xx", "\\\\\\\\", "oo", "++", "--")
_MOST_PLOTS = 400


@dataclass(frozen=True, kw_only=True)
class BedSize:
    """Measures of the bed, all in cm.

    Attributes
    ----------
    plot_length_cm, plot_width_cm : float
        Along the bed and across it. [cm]
    gap_cm, path_cm : float
        Between plots of a row and between rows. [cm]
    """

    plot_length_cm: float
    plot_width_cm: float
    gap_cm: float
    path_cm: float


def layout_figure(spots: Sequence[Spot], size: BedSize, title: str) -> Figure:
    """Draw every plot where it lies; hatching tells treatments apart, ink does it too.

    Raises
    ------
    InputError
        When there are more plots than a picture can name.
    """
    if len(spots) > _MOST_PLOTS:
        raise InputError(f"{len(spots)} plots are too many to draw; the records file lists them")
    step_x, step_y = size.plot_length_cm + size.gap_cm, size.plot_width_cm + size.path_cm
    columns = max(spot.column for spot in spots) + 1
    rows = max(spot.row for spot in spots) + 1
    length = columns * step_x - size.gap_cm
    width = rows * step_y - size.path_cm
    treatments = list(dict.fromkeys(spot.treatment for spot in spots))
    with own_style():
        from matplotlib.figure import Figure

        scale = min(6.6 / length, 9.0 / width, 1.2 / size.plot_width_cm)
        height = scale * width + 1.5
        figure = Figure(figsize=(7.6, max(2.4, height)), layout="constrained")
        axes = figure.subplots()
        for spot in spots:
            _plot(axes, spot, size, treatments, (spot.column * step_x, spot.row * step_y))
        _rows(axes, spots, size, step_y)
        axes.set_xlim(-0.07 * length, length * 1.01)
        axes.set_ylim(width + 0.02 * width, -0.04 * width)
        axes.set_aspect("equal")
        axes.grid(visible=False)
        axes.spines[:].set_visible(False)
        axes.yaxis.set_visible(False)
        axes.xaxis.set_major_formatter(lambda x, _: f"{x / 100:g}")
        axes.set_xlabel("metres along the bed")
        axes.set_title(title, loc="left")
        figure.legend(
            handles=[_key(name, index) for index, name in enumerate(treatments)],
            loc="outside lower left", ncols=min(4, len(treatments)), frameon=False,
        )  # fmt: skip
    return figure


def _ink(treatment: str) -> str:
    return TREATMENT_LOOKS.get(treatment.casefold(), (QUIET, "-"))[0]


def _plot(
    axes: Axes, spot: Spot, size: BedSize, treatments: list[str], corner: tuple[float, float]
) -> None:
    from matplotlib.patches import Rectangle

    index = treatments.index(spot.treatment)
    axes.add_patch(
        Rectangle(
            corner, size.plot_length_cm, size.plot_width_cm, facecolor=PAPER,
            edgecolor=_ink(spot.treatment), linewidth=1.2, hatch=_HATCH[index % len(_HATCH)],
            alpha=0.55,
        )
    )  # fmt: skip
    middle = (corner[0] + size.plot_length_cm / 2, corner[1] + size.plot_width_cm / 2)
    words = "\n".join(filter(None, (spot.plot, spot.variety[:14], spot.treatment[:14])))
    axes.text(
        *middle, words, ha="center", va="center", fontsize=7, color=INK, linespacing=1.25,
        bbox={"facecolor": PAPER, "edgecolor": FAINT, "pad": 1.5, "linewidth": 0.4},
    )  # fmt: skip


def _rows(axes: Axes, spots: Sequence[Spot], size: BedSize, step_y: float) -> None:
    """Name of the block, or of its part, before each row."""
    for row in sorted({spot.row for spot in spots}):
        block = next(spot.block for spot in spots if spot.row == row)
        axes.text(
            -0.25 * size.gap_cm - 4, row * step_y + size.plot_width_cm / 2, block, ha="right",
            va="center", fontsize=11, fontweight="bold", color=INK,
        )  # fmt: skip


def _key(name: str, index: int) -> object:
    from matplotlib.patches import Patch

    return Patch(
        facecolor=PAPER, edgecolor=_ink(name), hatch=_HATCH[index % len(_HATCH)], label=name[:26]
    )


_RIGHT, _BOTTOM, _APART = 268, 190, 15
PATTERNS = {"direct": "earth whole", "soaked": "water dashed", "presprouted": "leaf dotted"}
"""Ink and pattern of the known treatments, the same as in all pictures."""

_OTHERS = ("ink dashdot", "leaf whole", "earth dashed", "water dotted")


@dataclass(frozen=True, kw_only=True)
class TrialPicture:
    """Steps of each treatment: pattern, SVG path; and the marks around them."""

    lines: list[tuple[str, str]]
    marks: list[Mark]
    words: str
    width: int = WIDTH
    height: int = 226


def trial_picture(treatments: Sequence[Mapping[str, Any]]) -> TrialPicture | None:
    """Lay out the curves of a trial's treatments; None where there is no curve.

    Parameters
    ----------
    treatments : sequence of mappings
        As the analysis tells them: ``curve`` holds ends of intervals and shares emerged.
    """
    curves = {str(t["treatment"]): t["curve"] for t in treatments if t.get("curve")}
    curves = {name: curve for name, curve in curves.items() if curve["right"]}
    if not curves:
        return None
    last = 1.05 * max(float(curve["right"][-1]) for curve in curves.values())
    top = 108.0 * max([0.1, *(float(max(curve["emerged"])) for curve in curves.values())])
    across, up = Scale(0.0, last, LEFT, _RIGHT), Scale(0.0, top, _BOTTOM, TOP)
    marks = list(share_axis(up, _RIGHT, "emerged, per 100 seeds planted"))
    step = next(s for s in (1, 2, 5, 7, 14, 28, 1000) if last / s <= 6)
    foot = [(across(day), 15, str(day)) for day in range(0, int(last) + 1, step)]
    for x, down, text in (*foot, ((LEFT + _RIGHT) / 2, 31, "days since planted")):
        marks.append(Mark("tick", round(x, 1), _BOTTOM + down, text=text, anchor="middle"))
    lines, ends = [], []
    for index, (name, curve) in enumerate(curves.items()):
        days, share = _steps(curve, "emerged", last)
        path = "L".join(
            f"{across(day):.1f} {up(100 * value):.1f}"
            for day, value in zip(days, share, strict=True)
        )
        lines.append((PATTERNS.get(name, _OTHERS[index % len(_OTHERS)]), f"M{path}"))
        ends.append((up(100 * share[-1]) + 4, name))
    # Each line is named at its end.
    ends.sort()
    for y, (_, name) in zip(spaced([y for y, _ in ends], _APART), ends, strict=True):
        short = name if len(name) <= 14 else f"{name[:13]}…"
        marks.append(Mark("name", _RIGHT + 4, round(y, 1), text=short))
    stands = "; ".join(
        f"{name} {100 * curve['emerged'][-1]:.0f} of 100" for name, curve in curves.items()
    )
    words = f"Emergence of each treatment in steps. In the end: {stands}."
    return TrialPicture(lines=lines, marks=marks, words=words)
