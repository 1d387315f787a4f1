"""Calendar files (iCalendar, RFC 5545) of the things to do."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

from thermosprout import __version__
from thermosprout.planning.presprout import Event

_REMIND_BEFORE = timedelta(hours=1)


def calendar_file(
    events: Iterable[Event],
    *,
    made: datetime,
    name: str = "Sowing",
    cautions: Iterable[str] = (),
) -> bytes:
    """Write events as a calendar with the time zones they need.

    Parameters
    ----------
    events : iterable of Event
        Starts are aware, in an IANA time zone.
    made : datetime
        When the plan was made (aware).
    name : str
        Of the calendar.
    cautions : iterable of str
        Added to the first event, in which seed is wetted.

    Returns
    -------
    bytes
        A VCALENDAR with one VEVENT and reminder for each event and the VTIMEZONE of their zone.
    """
    from icalendar import Alarm, Calendar
    from icalendar import Event as Entry

    calendar = Calendar()
    calendar.add("prodid", f"-//thermosprout//{__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", name)
    starts: list[datetime] = []
    for event in events:
        starts.append(event.start)
        entry = Entry()
        entry.add("uid", f"{uuid5(NAMESPACE_URL, 'thermosprout:' + event.key)}@thermosprout")
        entry.add("dtstamp", made.astimezone(UTC))
        entry.add("dtstart", event.start)
        # An end in local time, not a duration, says when it ends over a change of the clocks.
        end = (event.start.astimezone(UTC) + event.length).astimezone(event.start.tzinfo)
        entry.add("dtend", end)
        entry.add("summary", event.summary)
        warned = cautions if len(starts) == 1 else ()
        entry.add("description", " ".join((event.description, *warned)))
        entry.add("categories", ["sowing"])
        entry.add("transp", "TRANSPARENT")
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", event.summary)
        alarm.add("trigger", -_REMIND_BEFORE)
        entry.add_component(alarm)
        calendar.add_component(entry)
    if starts:
        calendar.add_missing_timezones(
            first_date=min(starts).date() - timedelta(days=366),
            last_date=max(starts).date() + timedelta(days=366),
        )
    return bytes(calendar.to_ical())
