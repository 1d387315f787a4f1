"""Small picture of a trial for the season page: emergence of each treatment in steps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from thermosprout.reports.row_picture import Mark

_LEFT, _RIGHT, _TOP, _BOTTOM = 38, 268, 26, 190
_APART = 15
PATTERNS = {"direct": "earth whole", "soaked": "water dashed", "presprouted": "leaf dotted"}
"""Ink and pattern of the known treatments, the same as in all pictures."""

_OTHERS = ("ink dashdot", "leaf whole", "earth dashed", "water dotted")


@dataclass(frozen=True, kw_only=True)
class TrialPicture:
    """Steps of each treatment: pattern, SVG path; and the marks around them."""

    lines: list[tuple[str, str]]
    marks: list[Mark]
    words: str
    width: int = 360
    height: int = 226


def trial_picture(treatments: Sequence[Mapping[str, Any]]) -> TrialPicture | None:
    """Lay out the curves of a trial's treatments; None where there is no curve.

    Parameters
    ----------
    treatments : sequence of mappings
        As the analysis tells them: ``curve`` holds ends of intervals and shares emerged.
    """
    curves = [(str(t["treatment"]), t["curve"]) for t in treatments if t.get("curve")]
    curves = [(name, curve) for name, curve in curves if curve["right"]]
    if not curves:
        return None
    last = 1.05 * max(float(curve["right"][-1]) for _, curve in curves)
    top = 1.08 * max([0.1, *(float(max(curve["emerged"])) for _, curve in curves)])

    def across(day: float) -> float:
        return round(_LEFT + (_RIGHT - _LEFT) * day / last, 1)

    def up(share: float) -> float:
        return round(_BOTTOM - (_BOTTOM - _TOP) * share / top, 1)

    marks = [Mark("tick", 2, _TOP - 12, text="emerged, per 100 seeds planted")]
    step = 0.25 if top > 0.6 else 0.1 if top > 0.25 else 0.05
    count = 0
    while count * step <= top:
        y = up(count * step)
        marks.append(Mark("grid", _LEFT, y, _RIGHT, y))
        marks.append(Mark("tick", _LEFT - 5, y + 4, text=f"{100 * count * step:.0f}", anchor="end"))
        count += 1
    days = next(s for s in (1, 2, 5, 7, 14, 28, 1000) if last / s <= 6)
    for day in range(0, int(last) + 1, days):
        marks.append(Mark("tick", across(day), _BOTTOM + 15, text=str(day), anchor="middle"))
    marks.append(
        Mark("tick", (_LEFT + _RIGHT) / 2, _BOTTOM + 31, text="days since planted", anchor="middle")
    )
    lines = [
        (PATTERNS.get(name, _OTHERS[index % len(_OTHERS)]), _steps(curve, across, up, last))
        for index, (name, curve) in enumerate(curves)
    ]
    marks += _names(curves, up)
    told = "; ".join(f"{name} {100 * curve['emerged'][-1]:.0f} of 100" for name, curve in curves)
    return TrialPicture(
        lines=lines, marks=marks, words=f"Emergence of each treatment in steps. In the end: {told}."
    )


def _steps(curve: Mapping[str, Any], across: Any, up: Any, last: float) -> str:
    """Rise over each interval in which seedlings came: straight within, level between."""
    points = [(across(0.0), up(0.0))]
    before = 0.0
    for left, right, emerged in zip(curve["left"], curve["right"], curve["emerged"], strict=True):
        points += [(across(left), up(before)), (across(right), up(emerged))]
        before = emerged
    points.append((across(last), up(before)))
    return "M" + "L".join(f"{x} {y}" for x, y in points)


def _names(curves: Sequence[tuple[str, Mapping[str, Any]]], up: Any) -> list[Mark]:
    """Name each line at its end, pushed apart where they would lie on each other."""
    wanted = sorted((up(curve["emerged"][-1]), name) for name, curve in curves)
    placed: list[Mark] = []
    y = -1e9
    for at, name in wanted:
        y = max(at + 4, y + _APART)
        short = name if len(name) <= 14 else f"{name[:13]}…"
        placed.append(Mark("name", _RIGHT + 4, round(y, 1), text=short))
    return placed
