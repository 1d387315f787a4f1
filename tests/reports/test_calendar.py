"""Calendar files, read back by the icalendar library and held against rules of RFC 5545."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar

from thermosprout.planning.presprout import Event
from thermosprout.reports.pages import calendar_file

ZONES = ("Europe/Dublin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")
MADE = datetime(2026, 3, 1, 9, 30, tzinfo=UTC)


def event(start: datetime, key: str = "carrot/north/start", minutes: int = 30) -> Event:
    return Event(
        key=key,
        summary="Wet carrot seed; look, and plant",
        description="Wet 281 seeds at 20 °C, for planting in Nôrth bed.\nLook daily. " * 6,
        start=start,
        length=timedelta(minutes=minutes),
    )


def parsed(data: bytes) -> Calendar:
    calendars = Calendar.from_ical(data, multiple=True)
    assert len(calendars) == 1
    calendar = calendars[0]
    assert not calendar.errors
    for component in calendar.walk():
        assert not component.errors
    return calendar


@pytest.mark.parametrize("name", ZONES)
@pytest.mark.parametrize("day", [(2026, 3, 28), (2026, 3, 30), (2026, 10, 24), (2026, 12, 31)])
def test_events_read_back_at_the_same_instant(name: str, day: tuple[int, int, int]) -> None:
    start = datetime(*day, 8, 15, tzinfo=ZoneInfo(name))
    calendar = parsed(calendar_file([event(start)], stamp=MADE))
    (found,) = calendar.walk("VEVENT")
    assert found.decoded("dtstart") == start
    assert found.decoded("dtend") - found.decoded("dtstart") == timedelta(minutes=30)
    assert found.decoded("dtstamp") == MADE
    assert str(found["summary"]) == "Wet carrot seed; look, and plant"
    assert str(found["description"]) == event(start).description


@pytest.mark.parametrize("name", [name for name in ZONES if name != "UTC"])
def test_own_time_zone_definition_gives_the_right_offsets(name: str) -> None:
    zone = ZoneInfo(name)
    days = [datetime(2026, month, 15, 12, tzinfo=zone) for month in range(1, 13)]
    events = [event(day, key=f"row/{day:%m}") for day in days]
    calendar = parsed(calendar_file(events, stamp=MADE))
    (definition,) = calendar.walk("VTIMEZONE")
    assert str(definition["tzid"]) == name
    # What a calendar program that trusts the file alone makes of it.
    own = definition.to_tz(lookup_tzid=False)
    for day in days:
        assert own.utcoffset(day.replace(tzinfo=None)) == day.utcoffset()


def test_an_event_over_a_clock_change_keeps_its_length() -> None:
    zone = ZoneInfo("Europe/Dublin")
    start = datetime(2026, 3, 29, 0, 30, tzinfo=zone)
    calendar = parsed(calendar_file([event(start, minutes=60)], stamp=MADE))
    (found,) = calendar.walk("VEVENT")
    begin, end = found.decoded("dtstart"), found.decoded("dtend")
    assert end.astimezone(UTC) - begin.astimezone(UTC) == timedelta(hours=1)
    assert (end.hour, end.minute) == (2, 30)


def test_lines_follow_the_standard() -> None:
    start = datetime(2026, 5, 1, 8, tzinfo=ZoneInfo("Europe/Dublin"))
    data = calendar_file([event(start), event(start, key="other")], stamp=MADE, name="Sprouting")
    text = data.decode("utf-8")
    # RFC 5545, 3.1: lines end in CRLF and hold at most 75 octets; 3.6: what a calendar must say.
    assert text.endswith("\r\n")
    assert "\n" not in text.replace("\r\n", "")
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert text.startswith("BEGIN:VCALENDAR\r\n")
    assert "VERSION:2.0\r\n" in text
    assert "PRODID:" in text
    calendar = parsed(data)
    uids = [str(one["uid"]) for one in calendar.walk("VEVENT")]
    assert len(set(uids)) == 2
    for one in calendar.walk("VEVENT"):
        assert {"UID", "DTSTAMP", "DTSTART"} <= set(one)
        (alarm,) = one.walk("VALARM")
        assert {"ACTION", "TRIGGER", "DESCRIPTION"} <= set(alarm)


def test_the_same_plan_gives_the_same_names() -> None:
    start = datetime(2026, 5, 1, 8, tzinfo=UTC)
    first = parsed(calendar_file([event(start)], stamp=MADE))
    later = parsed(calendar_file([event(start + timedelta(days=1))], stamp=MADE))
    names = [str(one.walk("VEVENT")[0]["uid"]) for one in (first, later)]
    assert names[0] == names[1]


def test_an_empty_plan_is_an_empty_calendar() -> None:
    assert parsed(calendar_file([], stamp=MADE)).walk("VEVENT") == []
