"""The lines of one plot together: corrections settled, order and facts checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from thermosprout.errors import InputError, Place
from thermosprout.trials.columns import FACTS
from thermosprout.trials.lines import Entry
from thermosprout.trials.moments import Moment

_NEVER = datetime.min  # a line without `entered` was there first


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotHistory:
    """One plot as it stands now.

    Attributes
    ----------
    facts : Entry
        The line whose facts hold.
    counts : tuple of Entry
        The count that holds for each inspection, in order of time.
    first_harvest : Moment or None
    replaced : int
        How many counts were replaced by corrections.
    """

    facts: Entry
    counts: tuple[Entry, ...]
    first_harvest: Moment | None
    replaced: int


def settle(path: Path, entries: Sequence[Entry]) -> PlotHistory:
    """Settle the corrections of one plot and check its lines against each other.

    Raises
    ------
    InputError
        When facts of the plot differ between lines, an inspection is there twice, counts fall,
        or a corrected fact contradicts a count.
    """
    facts = _facts(path, entries)
    counts, replaced = _counts(path, entries)
    _check_order(path, facts, counts)
    return PlotHistory(
        facts=facts,
        counts=tuple(counts),
        first_harvest=_harvest(path, facts, entries),
        replaced=replaced,
    )


def settle_all(path: Path, entries: Sequence[Entry]) -> dict[str, PlotHistory]:
    """Settle every plot among the entries, in the order of first appearance."""
    groups: dict[str, list[Entry]] = {}
    for entry in entries:
        groups.setdefault(entry.plot, []).append(entry)
    return {plot: settle(path, group) for plot, group in groups.items()}


def _stamp(entry: Entry) -> datetime:
    return entry.entered.utc if entry.entered is not None else _NEVER


def _facts(path: Path, entries: Sequence[Entry]) -> Entry:
    first = entries[0]
    told = [first] + [e for e in entries[1:] if e.inspected is None]
    known = {entry.facts for entry in told}
    if len(known) > 1:
        stamps: dict[datetime, Entry] = {}
        for entry in told:
            twin = stamps.setdefault(_stamp(entry), entry)
            if twin.facts != entry.facts:
                raise _differs(path, entry, twin)
    for entry in entries:
        if entry.facts not in known:
            raise _differs(path, entry, first)
    return max(told, key=lambda entry: (_stamp(entry), entry.line))


def _differs(path: Path, entry: Entry, other: Entry) -> InputError:
    column = next(
        name
        for name, mine, theirs in zip(FACTS, entry.facts, other.facts, strict=True)
        if mine != theirs
    )

    def shown(of: Entry) -> object:
        value = getattr(of, column)
        return value.text if isinstance(value, Moment) else value

    return InputError(
        f"plot {entry.plot} has {column} {shown(entry)!r}, but {shown(other)!r} on line "
        f"{other.line}",
        place=Place(file=path, line=entry.line, column=column),
        hint="a plot keeps its facts on every line; to correct one, add a line for the plot "
        "with inspected and emerged empty and a later entered time",
    )


def _counts(path: Path, entries: Sequence[Entry]) -> tuple[list[Entry], int]:
    held: dict[datetime, Entry] = {}
    replaced = 0
    for entry in entries:
        if entry.inspected is None:
            continue
        other = held.get(entry.inspected.utc)
        if other is not None:
            replaced += 1
            if _stamp(other) == _stamp(entry):
                raise InputError(
                    f"plot {entry.plot} was inspected {entry.inspected.text} on line "
                    f"{other.line} already",
                    place=Place(file=path, line=entry.line, column="inspected"),
                    hint="a correction is a line with a later entered time",
                )
            if _stamp(other) > _stamp(entry):
                continue
        held[entry.inspected.utc] = entry
    return [held[instant] for instant in sorted(held)], replaced


def _check_order(path: Path, facts: Entry, counts: Sequence[Entry]) -> None:
    previous: Entry | None = None
    for entry in counts:
        if entry.inspected is None or entry.emerged is None:
            continue
        place = Place(file=path, line=entry.line, column="emerged")
        if entry.inspected.before(facts.planted):
            raise InputError(
                f"inspected {entry.inspected.text} is before planted {facts.planted.text} "
                f"(line {facts.line})",
                place=Place(file=path, line=entry.line, column="inspected"),
            )
        if entry.emerged > facts.seeds_planted:
            raise InputError(
                f"{entry.emerged} emerged, but only {facts.seeds_planted} seeds were planted "
                f"(line {facts.line})",
                place=place,
            )
        if previous is not None and previous.emerged is not None:
            if entry.emerged < previous.emerged:
                raise InputError(
                    f"plot {entry.plot} falls from {previous.emerged} (line {previous.line}) to "
                    f"{entry.emerged}",
                    place=place,
                    hint="emerged counts all seedlings so far, also those that died since; "
                    "correct the wrong line with a later entered time",
                )
            _check_stations(path, previous, entry)
        previous = entry


def _check_stations(path: Path, previous: Entry, entry: Entry) -> None:
    before, now = previous.stations_filled, entry.stations_filled
    if before is not None and now is not None and now < before:
        raise InputError(
            f"stations filled fall from {before} (line {previous.line}) to {now}",
            place=Place(file=path, line=entry.line, column="stations_filled"),
        )


def _harvest(path: Path, facts: Entry, entries: Sequence[Entry]) -> Moment | None:
    told = [entry for entry in entries if entry.first_harvest is not None]
    latest: Entry | None = None
    for entry in told:
        if latest is not None:
            if _stamp(entry) < _stamp(latest):
                continue
            if _stamp(entry) == _stamp(latest) and entry.first_harvest != latest.first_harvest:
                raise InputError(
                    f"plot {entry.plot} has another first harvest on line {latest.line}",
                    place=Place(file=path, line=entry.line, column="first_harvest"),
                    hint="a correction is a line with a later entered time",
                )
        latest = entry
    if latest is None or latest.first_harvest is None:
        return None
    if latest.first_harvest.before(facts.planted):
        raise InputError(
            "the first harvest is before the planting",
            place=Place(file=path, line=latest.line, column="first_harvest"),
        )
    return latest.first_harvest
