"""Labels of a row's picture: their boxes overlap neither each other nor what was counted."""

from __future__ import annotations

import itertools

import pytest
from matplotlib.transforms import Bbox

from tests.reports.test_row_picture import curve
from thermosprout.reports.forecast_figures import forecast_figure
from thermosprout.season.forecast import EmergenceCurve


def boxes(shown: EmergenceCurve) -> tuple[dict[str, Bbox], list[tuple[float, float]]]:
    """Boxes of the labels and the places of the counts, in pixels."""
    figure = forecast_figure([shown])
    figure.draw_without_rendering()  # type: ignore[no-untyped-call]
    axes = figure.axes[0]
    labels = {text.get_text(): text.get_window_extent() for text in axes.texts}
    points = [
        tuple(axes.transData.transform((axes.xaxis.convert_units(when), share)))
        for when, share in shown.counts
    ]
    return labels, points


@pytest.mark.parametrize("days", [8, 45])
@pytest.mark.parametrize("today", [0, pytest.param(1, marks=pytest.mark.slow), 2])
@pytest.mark.parametrize("counts", [0, 2, 6])
@pytest.mark.parametrize("top", [3.0, 97.0])
def test_no_label_lies_on_another_or_on_a_count(
    days: int, today: int, counts: int, top: float
) -> None:
    labels, points = boxes(curve(days, top, today=today, counts=counts))
    assert {"planted", "today", "80 % range"} <= set(labels)
    for (one, first), (other, second) in itertools.combinations(labels.items(), 2):
        assert not first.overlaps(second), (one, other)
    for name, box in labels.items():
        assert not any(box.contains(*point) for point in points), name
