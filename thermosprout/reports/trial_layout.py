"""Plan of a trial's bed, drawn to scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from thermosprout.errors import InputError
from thermosprout.reports.style import FAINT, INK, PAPER, QUIET, TREATMENT_INK, own_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.trials.design import Spot

_HATCH = ("", "////", "....", "xx", "\\\\\\\\", "oo", "++", "--")
_MOST = 400


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
    if len(spots) > _MOST:
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
    return TREATMENT_INK.get(treatment.casefold(), QUIET)


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
