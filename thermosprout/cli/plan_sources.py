"""How the options of the planning commands become a question, and how its answer is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from thermosprout.planning.sources import Sources


def sources_of(*, as_of: str = "", timezone: str = "", **named: Any) -> Sources:
    """Open what the options name; a day given as today is its local evening."""
    from datetime import datetime, time
    from zoneinfo import ZoneInfo

    from thermosprout.errors import InputError
    from thermosprout.planning.sources import Asked, Sources

    sources = Sources(Asked(timezone=timezone, **named))
    if not as_of:
        return sources
    try:
        day = datetime.fromisoformat(as_of)
    except ValueError:
        raise InputError(f"{as_of!r} is no day; write it as 2026-05-01") from None
    if day.tzinfo is None:
        clock = time(20) if len(as_of) <= 10 else day.time()
        day = datetime.combine(day.date(), clock, tzinfo=ZoneInfo(str(sources.zone)))
    from dataclasses import replace

    sources.asked = replace(sources.asked, as_of=day)
    return sources


def show(document: dict[str, Any], tables: list[Any], sources: Sources, *, json: bool) -> None:
    """Print the answer; how files were read goes to standard error."""
    from thermosprout.cli.output import console, note, print_json

    for sentence in dict.fromkeys(sources.notes):
        note(sentence)
    if json:
        print_json(document)
        return
    out = console()
    for item in tables:
        out.print(item)
