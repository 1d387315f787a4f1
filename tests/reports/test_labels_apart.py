"""Labels of pictures: their boxes overlap neither each other nor what was counted."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

import thermosprout as ts
from tests.reports.test_row_picture import curve
from thermosprout.cli.crops import _figure
from thermosprout.quantities import Units
from thermosprout.reports.forecast_figures import (
    forecast_figure,
    soil_check_figure,
    window_figure,
)
from thermosprout.reports.trial_figures import BedSize, blocks_figure, curves_figure, layout_figure
from thermosprout.season.forecast import EmergenceCurve
from thermosprout.soil.site_correction import site_correction
from thermosprout.soil.site_readings import compare_readings, read_readings
from thermosprout.trials.design import Layout, lay_out
from thermosprout.trials.records.read import block_steps

DEMO = Path(__file__).parents[2] / "demo"


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
@pytest.mark.parametrize("today", [0, 1, 2])
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


def words(figure: Figure) -> list[tuple[str, Bbox]]:
    """All words of a picture with their boxes: labels, titles, keys, numbers along the axes."""
    figure.draw_without_rendering()  # type: ignore[no-untyped-call]
    texts = [*figure.texts, figure._suptitle, figure._supxlabel, figure._supylabel]
    for key in figure.legends:
        texts += key.get_texts()
    for axes in filter(lambda one: one.get_visible(), figure.axes):
        texts += [*axes.texts, axes.title, axes._left_title, axes.xaxis.label, axes.yaxis.label]
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            inside = (tick for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high)
            texts += [tick.label1 for tick in inside]
        if axes.get_legend():
            texts += axes.get_legend().get_texts()
    return [
        (text.get_text(), text.get_window_extent())
        for text in dict.fromkeys(texts)
        if text is not None and text.get_visible() and text.get_text().strip()
    ]


def window(case: str) -> Figure:
    plan = ts.planting_window(
        season=DEMO / "season.toml", lot="COR25", first="2026-05-04", last="2026-05-25", draws=100
    ).to_dataset()
    days = plan["sowing"].values
    marks = {
        "whole": [(days[0], days[-1])] * 3,
        "one day": [(days[0], days[0]), (days[-1], days[-1]), (days[9], days[9])],
        "two days": [(days[8], days[9]), (None, None), (days[-2], days[-1])],
    }[case]
    return window_figure(plan, marks)


def trial() -> dict[str, object]:
    return ts.analyse(ts.read_records(DEMO / "trial.csv")).to_dict()


def checked() -> Figure:
    soil = ts.read_soil(DEMO / "soil.csv")
    readings = read_readings(DEMO / "readings.csv", timezone="Europe/London")
    correction = site_correction(soil, readings, longitude=-3.1)
    check = compare_readings(soil, readings, kind=correction.kind)
    return soil_check_figure(soil, correction.series, check.table, "Soil and readings")


def blocks() -> Figure:
    return blocks_figure(block_steps(ts.read_records(DEMO / "trial.csv"), "treatment"))


def layout() -> Figure:
    treatments = ["direct", "soaked", "presprouted"]
    spots = lay_out(Layout("blocks"), [""], treatments, 4, np.random.default_rng(0), days=1)
    size = BedSize(plot_length_cm=130, plot_width_cm=60, gap_cm=30, path_cm=50)
    return layout_figure(spots, size, "Trial bed, drawn to scale")


PICTURES = {
    "window, every day will do": lambda: window("whole"),
    "window, one day will do": lambda: window("one day"),
    "window, two days will do": lambda: window("two days"),
    "crop with a base that shows": lambda: _figure(ts.crop("carrot"), Units.METRIC, 0),
    "crop in degF": lambda: _figure(ts.crop("snap bean"), Units.US, 0),
    "trial": lambda: curves_figure(trial()),
    "blocks": blocks,
    "bed": layout,
    "soil against readings": checked,
}


@pytest.mark.parametrize("picture", PICTURES)
def test_no_word_of_a_picture_lies_on_another(picture: str) -> None:
    shown = words(PICTURES[picture]())
    assert len(shown) > 8
    for (one, first), (other, second) in itertools.combinations(shown, 2):
        # Boxes of letters reach past their ink by about a pixel.
        assert not first.padded(-1.0).overlaps(second.padded(-1.0)), (one, other)
