"""What a reader understood of a file, kept beside the data so that it can be shown."""

from __future__ import annotations

from dataclasses import dataclass, field

from thermosprout.soil.quality import Check


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
    gaps: tuple[Gap, ...] = ()
    filled_hours: int = 0
    notes: tuple[str, ...] = ()
    checks: tuple[Check, ...] = field(default=())

    def sentences(self) -> list[str]:
        """Say how the file was read, one plain sentence an entry."""
        said = [f"{self.file}: read as {self.kind}, {self.rows} rows every {self.step or '?'}."]
        if self.column:
            depth = "" if self.depth_cm is None else f", {self.depth_cm:g} cm deep"
            said.append(f"Temperature from column {self.column!r} in {self.unit}{depth}.")
        if self.time_column:
            order = f", dates written {self.date_order}" if self.date_order else ""
            said.append(f"Times from {self.time_column!r}, time zone {self.time_zone}{order}.")
        if self.separator:
            said.append(f"Columns parted by {self.separator}, decimal {self.decimal or 'point'}.")
        if self.start:
            said.append(f"Covers {self.start} to {self.end} UTC.")
        if self.filled_hours:
            said.append(
                f"{self.filled_hours} hours in holes of at most 3 h were filled by a straight line."
            )
        if self.gaps:
            longest = max(self.gaps, key=lambda gap: gap.hours)
            said.append(
                f"{len(self.gaps)} longer {'gap stays' if len(self.gaps) == 1 else 'gaps stay'} "
                f"empty, the longest {longest.hours} h from {longest.start} UTC."
            )
        return [*said, *self.notes]
