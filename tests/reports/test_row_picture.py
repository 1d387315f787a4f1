"""Pictures of rows: thinned lines keep their shape, and every label stays on the picture."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg

from thermosprout.reports.forecast_figures import forecast_figure
from thermosprout.reports.row_picture import HEIGHT, WIDTH, row_picture
from thermosprout.season.forecast import EmergenceCurve

START = datetime(2026, 4, 6, 12, tzinfo=UTC)


def curve(days: int, top: float, *, today: int = 10, counts: int = 0) -> EmergenceCurve:
    """S-shaped curve with a band and a soil that warms up."""
    when = [START + timedelta(hours=6 * step) for step in range(4 * days)]
    rise = top / (1 + np.exp(-(np.arange(len(when)) / 4 - days / 2)))
    soil_when = [START + timedelta(days=day) for day in range(-3, days)]
    soil = np.linspace(5, 14, len(soil_when)) + np.sin(np.arange(len(soil_when)))
    return EmergenceCurve(
        row="A", title="carrot", treatment="direct", planted=START, started=START,
        today=START + timedelta(days=today), when=when, low=0.6 * rise, middle=rise,
        high=np.minimum(1.3 * rise, 100), soil_when=soil_when, soil_C=soil,
        soil_low_C=soil - 1, soil_high_C=soil + 1,
        counts=[(START + timedelta(days=day + 1), min(5.0 * day, 100)) for day in range(counts)],
    )  # fmt: skip


def points(path: str) -> np.ndarray:
    return np.array([float(number) for number in re.findall(r"-?\d+\.?\d*", path)]).reshape(-1, 2)


@given(st.integers(2, 120), st.floats(0.0, 100.0), st.integers(-5, 130), st.integers(0, 12))
def test_everything_lies_on_the_picture(days: int, top: float, today: int, counts: int) -> None:
    picture = row_picture(curve(days, top, today=today, counts=counts))
    for path in (picture.band, picture.line, picture.soil_band, picture.soil_line):
        if path:
            drawn = points(path)
            assert drawn[:, 0].min() >= 0
            assert drawn[:, 0].max() <= WIDTH
            assert drawn[:, 1].min() >= 0
            assert drawn[:, 1].max() <= HEIGHT
    for mark in picture.marks:
        width = 6.6 * len(mark.text)
        left = mark.x - {"start": 0.0, "middle": width / 2, "end": width}[mark.anchor]
        assert left >= -1, mark
        assert left + width <= WIDTH + 1, mark
        assert 0 <= mark.y <= HEIGHT, mark


def test_thinning_moves_no_line_by_more_than_half_a_unit() -> None:
    given_curve = curve(60, 80)
    drawn = points(row_picture(given_curve).line)
    assert len(drawn) < 60 < len(given_curve.when)
    # Up and down are the picture's own: straight from seedlings to places, by its two ends.
    ends = given_curve.middle[[0, -1]]
    slope = (drawn[-1, 1] - drawn[0, 1]) / (ends[1] - ends[0])
    y = drawn[0, 1] + (given_curve.middle - ends[0]) * slope
    x = np.linspace(drawn[0, 0], drawn[-1, 0], y.size)
    dense_x = np.linspace(drawn[0, 0], drawn[-1, 0], 20_000)
    dense_y = np.interp(dense_x, drawn[:, 0], drawn[:, 1])
    away = np.hypot(x[:, None] - dense_x, y[:, None] - dense_y).min(axis=1)
    assert away.max() < 0.55


def test_counts_are_rings_at_their_place() -> None:
    picture = row_picture(curve(30, 60, counts=5))
    assert len(picture.counts) == 5
    heights = [y for _, y in picture.counts]
    assert heights == sorted(heights, reverse=True)
    assert sum(mark.text == "counted" for mark in picture.marks) == 1


@pytest.mark.parametrize("final", [9.0, 30.0, 95.0])
def test_words_at_the_right_do_not_lie_on_each_other(final: float) -> None:
    """A narrow band that ends in its last count leaves both words readable."""
    given_curve = curve(30, final)
    last = (given_curve.when[-2], float(given_curve.middle[-2]))
    narrow = replace(
        given_curve, low=0.97 * given_curve.middle, high=1.03 * given_curve.middle, counts=[last]
    )
    words = {mark.text: mark for mark in row_picture(narrow).marks}
    assert abs(words["counted"].y - words["80 % range"].y) > 9


@pytest.mark.parametrize(("day", "seen"), [(10, 1.0), (29, 48.0), (15, 98.0)])
def test_the_word_at_the_last_ring_stays_inside_the_panel(day: int, seen: float) -> None:
    given_curve = replace(curve(30, 60), counts=[(START + timedelta(days=day), seen)])
    figure = forecast_figure([given_curve])
    FigureCanvasAgg(figure).draw()
    axes = figure.axes[0]
    word = next(text for text in axes.texts if text.get_text() == "counted")
    box, panel = word.get_window_extent(), axes.get_window_extent()
    assert panel.x0 <= box.x0 < box.x1 <= panel.x1
    assert panel.y0 <= box.y0 < box.y1 <= panel.y1
    band = next(text for text in axes.texts if text.get_text() == "80 % range")
    assert not box.overlaps(band.get_window_extent())


@pytest.mark.parametrize("days", [3, 20, 60, 119])
def test_days_are_named_sparingly(days: int) -> None:
    ticks = [mark for mark in row_picture(curve(days, 50)).marks if mark.anchor == "middle"]
    assert 1 <= len(ticks) <= 7
    places = [tick.x for tick in ticks]
    assert all(b - a > 38 for a, b in itertools.pairwise(places))


def test_a_late_count_in_a_thin_row_clears_the_band() -> None:
    given_curve = curve(30, 15)
    last = (given_curve.when[-4], float(given_curve.middle[-4]))
    figure = forecast_figure([replace(given_curve, counts=[last])])
    FigureCanvasAgg(figure).draw()
    boxes = {text.get_text(): text.get_window_extent() for text in figure.axes[0].texts}
    assert not boxes["counted"].overlaps(boxes["80 % range"])
