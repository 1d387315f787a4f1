"""Small picture of one row for the season page: seedlings with their odds over soil temperature.

SVG without styles of its own: classes take the colours of the page, so that it follows light,
dark and grey print. Lines differ in pattern as well as in colour and carry their names.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from thermosprout.quantities import FloatArray
from thermosprout.season.forecast import EmergenceCurve

WIDTH, HEIGHT = 360, 250
LEFT, _RIGHT = 38, 322
TOP, _MIDDLE = 26, 148
_SOIL_TOP, _SOIL_BOTTOM = 172, 226
_TOLERANCE = 0.4
_DAY_STEPS = (1, 2, 5, 7, 14, 28, 56)
_MOST_DAY_TICKS = 5


@dataclass(frozen=True)
class Mark:
    """One text or line of the picture, in its own coordinates; templates escape the text."""

    kind: str
    x: float
    y: float
    x2: float = 0.0
    y2: float = 0.0
    text: str = ""
    anchor: str = "start"


@dataclass(frozen=True, kw_only=True)
class RowPicture:
    """Paths and marks of one picture.

    Attributes
    ----------
    band, line, soil_band, soil_line : str
        SVG paths; empty where there is nothing to draw.
    counts : list of (x, y)
        Rings at what was counted.
    marks : list of Mark
        Lines of the grid, ticks and labels.
    """

    band: str
    line: str
    soil_band: str
    soil_line: str
    counts: list[tuple[float, float]]
    marks: list[Mark]
    width: int = WIDTH
    height: int = HEIGHT


def row_picture(curve: EmergenceCurve) -> RowPicture:
    """Lay out the picture of a row.

    Parameters
    ----------
    curve : EmergenceCurve
        Seedlings per 100 seeds planted and the soil temperature below them.
    """
    start = min(curve.soil_when[0] if curve.soil_when else curve.planted, curve.planted)
    last_count = [when for when, _ in curve.counts[-1:]]
    ends = (*curve.when[-1:], *curve.soil_when[-1:], *last_count)
    end = max((*ends, curve.planted + timedelta(days=4)))
    across = Scale(start.timestamp(), end.timestamp(), LEFT, _RIGHT)
    shares = [share for _, share in curve.counts]
    top = max(float(np.nanmax(curve.high, initial=0.0)), *shares, 8.0)
    up = Scale(0.0, max(min(top * 1.25, 108.0), top * 1.08), _MIDDLE, TOP)  # room for a label
    x = np.array([across(when.timestamp()) for when in curve.when])
    marks = list(share_axis(up, _RIGHT, "seedlings per 100 seeds planted"))
    marks += _day_axis(across, start, end)
    soil_band, soil_line, soil_marks = _soil(curve, across)
    marks += soil_marks
    marks += _moments(curve, across, start, end)
    counts = [
        (round(across(when.timestamp()), 1), round(up(share), 1)) for when, share in curve.counts
    ]
    marks += _labels(curve, x, up, counts)
    return RowPicture(
        band=_band(x, up.of(curve.low), up.of(curve.high)),
        line=_line(x, up.of(curve.middle)),
        soil_band=soil_band,
        soil_line=soil_line,
        counts=counts,
        marks=marks,
    )


@dataclass(frozen=True)
class Scale:
    """Straight map from values to places."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Place of one value."""
        return float(self.of(np.asarray(value)))

    def of(self, values: FloatArray) -> FloatArray:
        """Places of many values."""
        slope = (self.end - self.start) / ((self.high - self.low) or 1.0)
        return np.asarray(self.start + (values - self.low) * slope)


def share_axis(up: Scale, right: float, what: str) -> Iterator[Mark]:
    """Heights in seedlings per 100 seeds, and what they are."""
    step = 25.0 if up.high > 60 else 10.0 if up.high > 25 else 5.0
    for value in np.arange(0.0, up.high + 1e-9, step):
        y = round(up(float(value)), 1)
        yield Mark("grid", LEFT, y, right, y)
        yield Mark("tick", LEFT - 5, y + 4, text=f"{value:.0f}", anchor="end")
    yield Mark("tick", 2, TOP - 13, text=what)


def _day_axis(across: Scale, start: datetime, end: datetime) -> Iterator[Mark]:
    days = (end - start).total_seconds() / 86400
    step = next((s for s in _DAY_STEPS if days / s <= _MOST_DAY_TICKS), _DAY_STEPS[-1])
    # Midnights of the local calendar, also over a change of the clocks.
    day = datetime(start.year, start.month, start.day, tzinfo=start.tzinfo) + timedelta(days=1)
    while day <= end:
        x = round(across(day.timestamp()), 1)
        yield Mark("grid", x, TOP, x, _SOIL_BOTTOM)
        if LEFT + 8 <= x <= _RIGHT - 8:
            yield Mark("tick", x, _SOIL_BOTTOM + 15, text=f"{day.day} {day:%b}", anchor="middle")
        day += timedelta(days=step)


def _moments(
    curve: EmergenceCurve, across: Scale, start: datetime, end: datetime
) -> Iterator[Mark]:
    planted, today = (round(across(when.timestamp()), 1) for when in (curve.planted, curve.today))
    yield Mark("moment", planted, TOP, planted, _SOIL_BOTTOM)
    shows_today = start <= curve.today <= end
    if not (shows_today and abs(today - planted) < 52):
        yield Mark("name", planted + 3, TOP + 9, text="planted")
    if shows_today:
        yield Mark("moment", today, TOP, today, _SOIL_BOTTOM)
        late = today > _RIGHT - 40
        x, anchor = (today - 3, "end") if late else (today + 3, "start")
        yield Mark("name", round(x, 1), TOP + 9, text="today", anchor=anchor)


def _soil(curve: EmergenceCurve, across: Scale) -> tuple[str, str, list[Mark]]:
    if not curve.soil_when:
        return "", "", []
    low, high = float(np.nanmin(curve.soil_low_C)), float(np.nanmax(curve.soil_high_C))
    margin = max(1.0, 0.15 * (high - low))
    down = Scale(low - margin, high + margin, _SOIL_BOTTOM, _SOIL_TOP)
    x = np.array([across(when.timestamp()) for when in curve.soil_when])
    spread = float(np.nanmax(curve.soil_high_C - curve.soil_low_C, initial=0.0)) > 0.05
    band = _band(x, down.of(curve.soil_low_C), down.of(curve.soil_high_C)) if spread else ""
    marks = [Mark("tick", 2, _SOIL_TOP - 7, text="soil °C"),
             Mark("tick", WIDTH - 2, _SOIL_TOP - 7, text="°F", anchor="end")]  # fmt: skip
    step = 5.0 if high - low > 6 else 2.0
    first = np.ceil(down.low / step) * step
    for value in np.arange(first, down.high, step):
        y = round(down(float(value)), 1)
        if _SOIL_TOP + 2 <= y <= _SOIL_BOTTOM - 2:
            marks += [
                Mark("grid", LEFT, y, _RIGHT, y),
                Mark("tick", LEFT - 5, y + 4, text=f"{value:.0f}", anchor="end"),
                Mark("tick", _RIGHT + 5, y + 4, text=f"{value * 1.8 + 32:.0f}"),
            ]
    return band, _line(x, down.of(curve.soil_C)), marks


def _labels(
    curve: EmergenceCurve, x: FloatArray, up: Scale, counts: Sequence[tuple[float, float]]
) -> Iterator[Mark]:
    if x.size and float(np.nanmax(curve.high, initial=0.0)) > 0.5:
        # Under the band at its end, or over it, or at the top: where no count is in the way.
        below, above = float(up(float(curve.low[-1]))) + 14, float(up(float(curve.high[-1]))) - 5
        heights = (below, above, TOP + 22, below + 12, below + 24, below + 36, TOP + 40)
        places = [y for y in heights if TOP + 8 < y < _MIDDLE - 3]
        free = [y for y in places if not _crowded(y, counts)]
        y = (free or [TOP + 22.0])[0]
        yield Mark("leaf", _RIGHT, round(y, 1), text="80 % range", anchor="end")
    if counts:
        cx = counts[-1][0]
        # The curve rises to the right.
        place, anchor = (cx - 7, "end") if cx > LEFT + 58 else (cx + 7, "start")
        height = round(_counted_at(counts[-1]), 1)
        yield Mark("name", round(place, 1), height, text="counted", anchor=anchor)


def _crowded(y: float, counts: Sequence[tuple[float, float]]) -> bool:
    """Whether a label at the right, at this height, would lie on a ring or on the last one's."""
    ring = any(cx > _RIGHT - 88 and abs(cy - (y - 4)) < 12 for cx, cy in counts)
    labelled_last = bool(counts) and counts[-1][0] > _RIGHT - 70
    return ring or (labelled_last and abs(_counted_at(counts[-1]) - y) < 11)


def _counted_at(last: tuple[float, float]) -> float:
    """Height of the word at the last ring."""
    return last[1] + 14 if last[1] < TOP + 24 else last[1] - 6


def _line(x: FloatArray, y: FloatArray) -> str:
    points = _thinned(x, y)
    return "" if points.shape[0] < 2 else "M" + _joined(points)


def _band(x: FloatArray, low: FloatArray, high: FloatArray) -> str:
    upper, lower = _thinned(x, high), _thinned(x, low)
    if upper.shape[0] < 2 or lower.shape[0] < 2:
        return ""
    return "M" + _joined(upper) + "L" + _joined(lower[::-1]) + "Z"


def _joined(points: FloatArray) -> str:
    return "L".join(f"{a:.1f} {b:.1f}" for a, b in points)


def _thinned(x: FloatArray, y: FloatArray) -> FloatArray:
    """Points without which a line would move by more than the eye sees (Douglas & Peucker 1973)."""
    points = np.column_stack([x, y])[np.isfinite(x) & np.isfinite(y)]
    if points.shape[0] < 3:
        return points
    keep = np.zeros(points.shape[0], dtype=bool)
    keep[[0, -1]] = True
    spans = [(0, points.shape[0] - 1)]
    while spans:
        first, last = spans.pop()
        if last - first < 2:
            continue
        chord = points[last] - points[first]
        inner = points[first + 1 : last] - points[first]
        length = float(np.hypot(*chord)) or 1.0
        away = np.abs(chord[0] * inner[:, 1] - chord[1] * inner[:, 0]) / length
        worst = int(np.argmax(away))
        if away[worst] > _TOLERANCE:
            middle = first + 1 + worst
            keep[middle] = True
            spans += [(first, middle), (middle, last)]
    return points[keep]
