"""How a file was read, kept beside the data so that it can be shown."""

from __future__ import annotations

from dataclasses import dataclass, field

from thermosprout.soil.quality import Check

_STEPS = {"hour": "hourly ", "day": "daily "}
_NOT_REPEATED = ("gaps", "doubled hour")
"""Checks that a sentence on how the file was read tells already."""


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A stretch without a usable value: UTC hours ``start`` to ``end``, both without a value."""

    start: str
    end: str
    hours: int


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How a file was read; ``None`` or an empty text means that it does not apply."""

    file: str
    kind: str
    column: str = ""
    unit: str = ""
    depth_cm: float | None = None
    time_column: str = ""
    time_zone: str = ""
    date_order: str = ""
    separator: str = ""
    decimal: str = ""
    rows: int = 0
    step: str = ""
    start: str = ""
    end: str = ""
    columns: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    gaps: tuple[Gap, ...] = ()
    filled_hours: int = 0
    notes: tuple[str, ...] = ()
    checks: tuple[Check, ...] = field(default=())

    def summary(self) -> str:
        """What every answer repeats: the file, its columns that were taken and those left out."""
        step = _STEPS.get(self.step, "")
        text = f"{self.file}: read as {self.kind}, {self.rows:,} {step}rows"
        if self.step and not step:
            text += f" every {self.step}"
        if columns := self.columns or ((self.column,) if self.column else ()):
            text += f" of {_listed(columns)}"
        if self.left_out:
            text += f", without {_listed(self.left_out)}"
        return text + "."

    def sentences(self) -> list[str]:
        """Say how the file was read, one plain sentence an entry."""
        sentences = [self.summary()]
        if self.column:
            depth = "" if self.depth_cm is None else f", {self.depth_cm:g} cm deep"
            sentences.append(f"Temperature from column {self.column!r} in {self.unit}{depth}.")
        if self.time_column:
            order = f", dates written {self.date_order}" if self.date_order else ""
            sentences.append(f"Times from {self.time_column!r}, time zone {self.time_zone}{order}.")
        if self.separator:
            mark = self.decimal or "point"
            sentences.append(f"Columns separated by {self.separator}, decimal {mark}.")
        if self.start:
            sentences.append(f"Covers {self.start} to {self.end} UTC.")
        if self.filled_hours:
            sentences.append(
                f"{self.filled_hours} hours in holes of at most 3 h were filled by a straight line."
            )
        if self.gaps:
            longest = max(self.gaps, key=lambda gap: gap.hours)
            sentences.append(
                f"{len(self.gaps)} longer {'gap stays' if len(self.gaps) == 1 else 'gaps stay'} "
                f"empty, the longest {longest.hours} h from {longest.start} UTC."
            )
        return [*sentences, *self.notes]

    def doubts(self) -> list[str]:
        """Say what looks wrong in the series, one sentence a check."""
        return [check.sentence() for check in self.checks if check.name not in _NOT_REPEATED]


def _listed(names: tuple[str, ...], most: int = 12) -> str:
    """Names, cut off where there are many."""
    shown = ", ".join(names[:most])
    rest = len(names) - most
    return shown if rest <= 0 else f"{shown} and {rest} more"
