"""Logger exports of many makes and faults, with invented values: two days of soil at 5 cm."""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

START = datetime(2026, 4, 14)
HOURS = 60


def soil(hour: float) -> float:
    """Invented soil temperature at an hour after the start. [degC]"""
    return round(12.0 + 0.02 * hour + 3.0 * math.cos(2 * math.pi * (hour - 16) / 24), 2)


def rows(
    line: Callable[[datetime, float], str],
    *,
    step_min: int = 60,
    start: datetime = START,
    hours: float = HOURS,
) -> list[str]:
    """One line a reading."""
    count = int(hours * 60 / step_min)
    return [
        line(start + timedelta(minutes=step_min * i), soil(i * step_min / 60)) for i in range(count)
    ]


@dataclass(frozen=True)
class Export:
    """A spoilt file, the options a user would give, and what has to come of it.

    ``expected`` is None when the series must be the invented one, else the text of the error.
    """

    text: str | bytes
    options: dict[str, Any] = field(default_factory=dict)
    expected: str | None = None
    words: str = ""
    error_line: int | None = None

    @property
    def raw(self) -> bytes:
        """Bytes on disk."""
        return self.text if isinstance(self.text, bytes) else self.text.encode()


def table(heading: str, lines: list[str], end: str = "\n") -> str:
    """Heading and lines as one text."""
    return end.join([heading, *lines]) + end


def comma(value: float) -> str:
    """Value with a decimal comma."""
    return f"{value:.2f}".replace(".", ",")


UTC = {"timezone": "UTC"}
ISO = "%Y-%m-%d %H:%M"
PLAIN = rows(lambda t, v: f"{t:{ISO}},{v}")


def _changed(lines: list[str], row: int, text: str) -> list[str]:
    out = list(lines)
    out[row] = text
    return out


def _autumn(line: Callable[[datetime, float], str], zone_changes: bool) -> list[str]:
    """Local times over the end of summer time in London: 01:00 to 02:00 stands twice or not."""
    out = []
    for hour in range(60):
        utc = datetime(2026, 10, 24, 0) + timedelta(hours=hour)
        summer = zone_changes and utc < datetime(2026, 10, 25, 1)
        out.append(line(utc + timedelta(hours=1 if summer else 0), soil(hour)))
    return out


def _until_24(when: datetime, value: float) -> str:
    """A line whose day ends at 24:00."""
    before = when - timedelta(hours=1)
    return f"{before:%Y-%m-%d} {before.hour + 1:02d}:00,{value}"


TWO_DEPTHS = rows(
    lambda t, v: "\n".join(f"{t:%Y-%m-%dT%H:%M}Z,{d},{v + d - 5:.2f}" for d in (5, 10))
)

EXPORTS: dict[str, Export] = {
    # ---- read right
    "own columns": Export(
        table("time_utc,soil_temp_5cm_C", rows(lambda t, v: f"{t:%Y-%m-%dT%H:%M}Z,{v}"))
    ),
    "degF": Export(
        table("Time (UTC),Soil Temp 5cm (°F)", rows(lambda t, v: f"{t:{ISO}},{v * 1.8 + 32:.3f}")),
        words="in degF",
    ),
    "semicolons and decimal commas": Export(
        table(
            "Datum/Uhrzeit;Bodentemperatur 5 cm [°C]",
            rows(lambda t, v: f"{t:%d.%m.%Y %H:%M};{comma(v)}"),
        ),
        UTC,
        words="decimal comma",
    ),
    "day first settled by the 14th": Export(
        table("Time;Temp 5cm (°C)", rows(lambda t, v: f"{t:%d/%m/%Y %H:%M};{v}")),
        UTC,
        words="dates written day first",
    ),
    "month first settled by the 14th": Export(
        table("Time,Temp 5cm (C)", rows(lambda t, v: f"{t:%m/%d/%Y %H:%M},{v}")),
        UTC,
        words="dates written month first",
    ),
    "preamble of ten lines": Export(
        "Logger report\nSerial number: 0042\n\nInterval: 60 min\nTime zone: UTC\n\n\n"
        + table("No.,Date and time,Soil temperature 5 cm (°C)",
                [f"{i + 1},{line}" for i, line in enumerate(PLAIN)]),
        words="time zone UTC",
    ),
    "byte-order mark, quotes and CRLF": Export(
        b"\xef\xbb\xbf" + table('"Time (UTC)","Soil 5cm (°C)"',
              rows(lambda t, v: f'"{t:{ISO}}","{v}"'), "\r\n").encode(),
    ),
    "quoted decimal commas between commas": Export(
        table("Time (UTC),Soil temp 5cm (C)", rows(lambda t, v: f'{t:{ISO}},"{comma(v)}"')),
    ),
    "units row below the heading": Export(
        table("Stamp,Soil_5cm\nUTC,Deg C", rows(lambda t, v: f"{t:{ISO}:00},{v}")),
    ),
    "AM and PM": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(lambda t, v: f"{t:%m/%d/%Y %I:%M %p},{v}")),
    ),
    "seconds since 1970": Export(
        table("epoch,soil_temp_5cm_C", rows(
            lambda t, v: f"{int((t - datetime(1970, 1, 1)).total_seconds())},{v}")),
        words="seconds since 1970",
    ),
    "offset in each stamp": Export(
        table("time,soil_temp_5cm_C", rows(
            lambda t, v: f"{t + timedelta(hours=2):%Y-%m-%dT%H:%M:%S}+02:00,{v}")),
    ),
    "offset in the heading": Export(
        table('"Day and time, UTC-05:00","Bed, °C (5 cm)"', rows(
            lambda t, v: f"{t - timedelta(hours=5):{ISO}},{v}")),
        words="time zone UTC-05:00",
    ),
    "summer time of an IANA zone": Export(
        table("Local time,Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t + timedelta(hours=1):{ISO}},{v}")),
        {"timezone": "Europe/London"},
    ),
    "date and clock in two columns": Export(
        table("Date;Time;Soil 5 cm °C", rows(lambda t, v: f"{t:%d.%m.%Y};{t:%H:%M:%S};{v}")), UTC
    ),
    "month named": Export(
        table("Time,Soil temp 5cm (°C)", rows(lambda t, v: f"{t:%d-%b-%Y %H:%M},{v}")), UTC
    ),
    "newest line first": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN[::-1]), words="turned round"
    ),
    "tabs": Export(
        table("Time (UTC)\tSoil temp 5cm (°C)", rows(lambda t, v: f"{t:{ISO}}\t{v}")),
        words="separated by tabs",
    ),
    "UTF-16 as spreadsheets write it": Export(
        table("Time (UTC)\tSoil temp 5cm (°C)", rows(lambda t, v: f"{t:{ISO}}\t{v}")).encode(
            "utf-16"), words="UTF-16",
    ),
    "Windows-1252 degree sign": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN).encode("cp1252"), words="Windows-1252"
    ),
    "five minutes": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:{ISO}},{v}", step_min=5)),
        words="averaged over the hour",
    ),
    "half hours off the hour": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t + timedelta(minutes=0):{ISO}},{v}", step_min=30)),
    ),
    "missing-value code and empty cells": Export(
        table("Time (UTC),Soil temp 5cm (°C)", [
            f"{line.split(',')[0]}," + {20: "-9999", 40: ""}.get(i, line.split(",")[1])
            for i, line in enumerate(PLAIN)]),
        words="2 hours in holes of at most 3 h were filled",
    ),
    "unit behind each value": Export(
        table("Time (UTC),Soil 5cm", rows(lambda t, v: f"{t:{ISO}},{v} °C")), words="in degC"
    ),
    "lines that stand twice": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN[:20] + PLAIN[10:]), words="",
        expected="steps back", error_line=22,
    ),
    "one line twice in place": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN[:20] + PLAIN[19:]), words="taken once"
    ),
    "footer": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN) + "\nEnd of data\nTotal: 60\n",
        words="2 lines after the last dated line",
    ),
    "cut off in the last line": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:{ISO}},{v}", hours=HOURS + 1))[:-1].rsplit(",", 1)[0] + "\n",
        words="the last",
    ),
    "heading in the midst (two files glued)": Export(
        table("Time (UTC),Soil temp 5cm (°C)",
              [*PLAIN[:30], "Time (UTC),Soil temp 5cm (°C)", *PLAIN[30:]]),
        words="The heading stands again in line 32",
    ),
    "air beside soil": Export(
        table("Time (UTC),Air temp (°C),Soil temp 5cm (°C),Battery (V)", rows(
            lambda t, v: f"{t:{ISO}},{v + 4},{v},3.1")),
    ),
    "three depths, one asked for": Export(
        table("Time (UTC),soil_temp_5cm_C,soil_temp_10cm_C,soil_temp_20cm_C", rows(
            lambda t, v: f"{t:{ISO}},{v},{v - 1},{v - 2}")), {"depth_cm": 5.0},
    ),
    "depths in lines": Export(
        table("time_utc,depth_cm,soil_temp_C", [
            f"{t:%Y-%m-%dT%H:%M}Z,{d},{v + d - 5:.2f}" for t, v in (
                (START + timedelta(hours=i), soil(i)) for i in range(HOURS)) for d in (5, 10)]),
        {"depth_cm": 5.0}, words="60 lines of 5 cm were taken",
    ),
    "two-digit year": Export(
        table("Time (UTC);Soil temp 5cm (°C)", rows(lambda t, v: f"{t:%d.%m.%y %H:%M};{v}")),
    ),
    "unit in a column of its own": Export(
        table("Time (UTC),Unit,Value of probe", rows(
            lambda t, v: f"{t:{ISO}},F,{v * 1.8 + 32:.3f}")),
        words="in degF",
    ),
    "nothing but the unit tells the column": Export(
        table('"Line","Time (UTC)","Probe A"', [
            f'{i + 1},{line} °C' for i, line in enumerate(PLAIN)]),
    ),
    "serial numbers in the heading": Export(
        "Bed 3, north end\n" + table('"Line","Day and time (GMT+02:00)","Probe no. 10, °C"', [
            f'{i + 1},"{START + timedelta(hours=i + 2):%m/%d/%y %I:%M:%S %p}",{soil(i)}'
            for i in range(HOURS)]),
        words="time zone UTC+02:00",
    ),
    "end of summer time, hour doubled": Export(
        table("Local time,Soil temp 5cm (°C)", _autumn(lambda t, v: f"{t:{ISO}},{v}", True)),
        {"timezone": "Europe/London"}, words="told apart by the order",
    ),
    "midnight written as 24:00": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(_until_24)),
        words="Times written 24:00 were read as 00:00 of the next day",
    ),
    "days with dots that no line settles": Export(
        table("Time (UTC);Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:%d.%m.%Y %H:%M};{v}", start=datetime(2026, 4, 3))),
        words="dates written day first (with dots)",
    ),
    "unit above the table": Export(
        "Temperature of bed 3\nUnits: °F\n" + table("Time (UTC),Soil temp 5cm", rows(
            lambda t, v: f"{t:{ISO}},{v * 1.8 + 32:.3f}")),
        words="in degF",
    ),
    "no unit, too warm for Celsius": Export(
        table("Time (UTC),Soil temp 5cm", rows(lambda t, v: f"{t:{ISO}},{v * 1.8 + 32:.3f}")),
        words="in degF",
    ),
    "depth column left empty": Export(
        table("Time (UTC),depth_cm,soil_temp_C", rows(lambda t, v: f"{t:{ISO}},,{v}")),
        words="does not say how deep",
    ),
    "spare commas in every line": Export(
        table("Time (UTC),Soil temp 5cm (°C),,", [f"{line},," for line in PLAIN]),
    ),
    "units row left empty": Export(
        table("Time (UTC),Soil temp 5cm (°C)\n,", PLAIN),
    ),
    "cut off within the last line": Export(
        table("Time (UTC),Soil temp 5cm (°C),Battery (V)", rows(
            lambda t, v: f"{t:{ISO}},{v},3.1", hours=HOURS + 1)).rsplit(",", 1)[0] + "\n",
        words="Line 62, the last, is cut off and was left out",
    ),
    "preamble of thousands of lines": Export(
        "Serial 4711: depot, bed 3\n" * 4000 + table("Time (UTC),Soil temp 5cm (°C)", PLAIN),
    ),
    "line ends of three systems": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN[:20], "\r\n")
        + "\r".join(PLAIN[20:40]) + "\r\r\n" + table(PLAIN[40], PLAIN[41:]),
    ),
    # ---- asked for
    "day or month first": Export(
        table("Time,Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:%d/%m/%Y %H:%M},{v}", start=datetime(2026, 4, 3))), UTC,
        "can be read with the day or the month first, and no line settles it .day first would "
        "leave no day out.; set --day-first or --month-first", error_line=2,
    ),
    "month or day first": Export(
        table("Time,Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:%m/%d/%Y %H:%M},{v}", start=datetime(2026, 5, 1))), UTC,
        r"no line settles it .month first would leave no day out.; set --day-first", error_line=2,
    ),
    "two depths in lines": Export(
        table("time_utc,depth_cm,soil_temp_C", TWO_DEPTHS), {},
        "the file holds depths of 5, 10 cm; say which with --depth-cm", error_line=2,
    ),
    "depth that no line has": Export(
        table("time_utc,depth_cm,soil_temp_C", TWO_DEPTHS), {"depth_cm": 7.0},
        "no line has a depth of 7 cm; depths there: 5, 10",
    ),
    "unit column of words": Export(
        table("Time (UTC),Unit,Value", rows(lambda t, v: f"{t:{ISO}},box,{v}")), {},
        "no column holds a soil temperature; name the column with --column; there: Time",
        error_line=2,
    ),
    "day or month first, told": Export(
        table("Time,Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:%d/%m/%Y %H:%M},{v}", start=datetime(2026, 4, 3))),
        UTC | {"day_first": True},
    ),
    "no time zone": Export(
        table("Time,Soil temp 5cm (°C)", PLAIN), {},
        "the times carry no time zone; set --timezone", error_line=2,
    ),
    "no unit": Export(
        table("Time (UTC),Soil temp 5cm", PLAIN), {},
        "can be °C or °F, and nothing says which; set --unit C or --unit F", error_line=2,
    ),
    "no unit, told": Export(table("Time (UTC),Soil temp 5cm", PLAIN), {"unit": "C"}),
    "several columns": Export(
        table("Time (UTC),Temp 1 (°C),Temp 2 (°C)", rows(lambda t, v: f"{t:{ISO}},{v},{v}")), {},
        "several columns hold a temperature: 'Temp 1 .°C.', 'Temp 2 .°C.'; say which with --column",
        error_line=2,
    ),
    "comma parts columns and decimals": Export(
        table("time_utc,soil_temp_5cm_C", rows(lambda t, v: f"{t:%Y-%m-%dT%H:%M}Z,{comma(v)}")),
        {}, "a comma can part columns or decimals here; say which with --decimal",
        error_line=2,
    ),
    "comma parts both, told": Export(
        table("time_utc,soil_temp_5cm_C", rows(lambda t, v: f"{t:%Y-%m-%dT%H:%M}Z,{comma(v)}")),
        {"decimal": ","},
    ),
    "no heading and commas everywhere": Export(
        "\n".join(rows(lambda t, v: f"{t:%Y-%m-%dT%H:%M}Z,{comma(v)}")) + "\n", {},
        "several columns hold a temperature.*or --decimal , where the comma parts decimals",
    ),
    "doubled hour once only": Export(
        table("Local time,Soil temp 5cm (°C)", [
            line for i, line in enumerate(_autumn(lambda t, v: f"{t:{ISO}},{v}", True)) if i != 25
        ]), {"timezone": "Europe/London"},
        "clocks went back in Europe/London on 2026-10-25, but the doubled hour stands only once",
    ),
    "hour that does not exist": Export(
        table("Local time,Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:{ISO}},{v}", start=datetime(2026, 3, 28, 12))),
        {"timezone": "Europe/London"},
        "does not exist in Europe/London, where clocks went forward.*UTC.0",
    ),
    # ---- refused with the line
    "doubled hour without a zone that changes": Export(
        table("Local time,Soil temp 5cm (°C)", _autumn(lambda t, v: f"{t:{ISO}},{v}", True)), UTC,
        "2026-10-25 01:00 stands twice with different values|2026-10-25T01:00 stands twice",
    ),
    "day and month swapped in part": Export(
        table("Time (UTC),Soil temp 5cm (°C)", [
            f"{(t.replace(day=t.month, month=t.day) if 5 <= t.day <= 6 else t):{ISO}},{soil(i)}"
            for i, t in enumerate(datetime(2026, 4, 2) + timedelta(hours=i) for i in range(150))]),
        {}, "fits only with day and month swapped", error_line=74,
    ),
    "both orders in one file": Export(
        table("Time (UTC),Soil temp 5cm (°C)", _changed(
            rows(lambda t, v: f"{t:%d/%m/%Y %H:%M},{v}"), 5, "04/15/2026 05:00,12.0")), {},
        "day and month are swapped", error_line=7,
    ),
    "dates now in one column, now in another": Export(
        table("a,b,soil_temp_5cm_C", _changed(
            rows(lambda t, v: f"{t:{ISO}},x,{v}"), 7, "x,2026-04-14 07:00,12.0")), UTC,
        "no column holds a date and time in every line; expected a column such as time_utc",
        error_line=2,
    ),
    "month that is none": Export(
        table("Time,Soil temp 5cm (°C)", _changed(
            rows(lambda t, v: f"{t:%d-%b-%Y %H:%M},{v}"), 7, "14-Foo-2026 07:00,12.0")), UTC,
        "the month 'Foo' is not known; write the date as", error_line=9,
    ),
    "one time without its zone": Export(
        table("time,soil_temp_5cm_C", _changed(
            rows(lambda t, v: f"{t:%Y-%m-%dT%H:%M}Z,{v}"), 7, "2026-04-14T07:00,12.0")), {},
        "this time has no zone while others have one; mend the line", error_line=9,
    ),
    "decimal points, comma told": Export(
        table("Time (UTC);Soil temp 5cm (°C)", [line.replace(",", ";") for line in PLAIN]),
        {"decimal": ","}, "does not fit --decimal ,; leave --decimal out",
        error_line=2,
    ),
    "words among the numbers": Export(
        table("Time (UTC),Soil temp 5cm (°C)", _changed(PLAIN, 7, "2026-04-14 07:00,warm")), {},
        "'warm' is not a number", error_line=9,
    ),
    "hour that does not exist in a southern spring": Export(
        table("Local time,Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:{ISO}},{v}", start=datetime(2026, 9, 26, 12))),
        {"timezone": "Pacific/Auckland"},
        "does not exist in Pacific/Auckland, where clocks went forward.*UTC.12",
    ),
    "date that does not exist": Export(
        table("Time (UTC),Soil temp 5cm (°C)", _changed(PLAIN, 7, "2026-04-31 07:00,12.0")), {},
        "is not a date and time of the calendar", error_line=9,
    ),
    "a line of something else": Export(
        table("Time (UTC),Soil temp 5cm (°C)", _changed(PLAIN, 7, "battery changed")), {},
        "a date or time was expected, found 'battery changed'", error_line=9,
    ),
    "decimal marks mixed": Export(
        table("Time (UTC);Soil temp 5cm (°C)", _changed(
            [line.replace(",", ";") for line in PLAIN], 7, "2026-04-14 07:00;12,34")), {},
        "'12,34' has another decimal mark than other lines", error_line=9,
    ),
    "units mixed": Export(
        table("Time (UTC),Soil 5cm", _changed(
            rows(lambda t, v: f"{t:{ISO}},{v} C"), 7, "2026-04-14 07:00,53.6 F")), {},
        "is in another unit than the lines above", error_line=9,
    ),
    "a column short": Export(
        table("Time (UTC),Soil temp 5cm (°C),x", _changed(
            [f"{line},1" for line in PLAIN], 7, "2026-04-14 07:00,12.0")), {},
        "3 columns were expected, found 2", error_line=9,
    ),
    "air only": Export(
        table("Time (UTC),Air temp (°C)", PLAIN), {}, "only that of the air; model the soil from"
    ),
    "readings twice a day": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(
            lambda t, v: f"{t:{ISO}},{v}", step_min=720, hours=240)), {},
        "every 12 hours are too far apart", error_line=2,
    ),
    "no values at all": Export(
        table("Time (UTC),Soil temp 5cm (°C)", rows(lambda t, v: f"{t:{ISO}},")), {},
        "holds no usable values",
    ),
    "empty": Export("", {}, "the file is empty"),
    "only a heading": Export("time_utc,soil_temp_C\n", {}, "no line holds a date or time"),
    "a letter to the grower": Export(
        "Dear customer,\nthank you for buying.\n", {}, "no line holds a date or time"
    ),
    "a spreadsheet": Export(b"PK\x03\x04" + bytes(99), {}, "this is a spreadsheet.*save the sheet"),
    "packed": Export(gzip.compress(b"time_utc"), {}, "this is a compressed file.*unpack it first"),
    "four bytes a letter": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN).encode("utf-32"), {}, "holds NUL bytes"
    ),
    "half a letter of two bytes": Export(
        table("Time (UTC),Soil temp 5cm", PLAIN).encode("utf-16") + b"a", {}, "holds NUL bytes"
    ),
    "a cell of many digits": Export(
        table("Time (UTC),Soil temp 5cm (°C)", _changed(PLAIN, 3, f"2026-04-14 03:00,{'9' * 70}x")),
        {}, "'9{40}' is not a number", error_line=5,
    ),
    "two columns of the name asked for": Export(
        table("Time (UTC),Probe (°C),Probe (°C)", rows(lambda t, v: f"{t:{ISO}},{v},{v + 1}")),
        {"column": "Probe (°C)"}, r"there are 2 columns 'Probe .°C.'; columns there: Time",
        error_line=2,
    ),
    "zero bytes": Export(b"time_utc,soil\x00temp\n\x00", {}, "holds NUL bytes"),
    "unknown zone": Export(
        table("Time,Soil temp 5cm (°C)", PLAIN), {"timezone": "Middle/Earth"}, "is not a time zone"
    ),
    "unit column that changes": Export(
        table("Time (UTC),Unit,Value", _changed(
            rows(lambda t, v: f"{t:{ISO}},C,{v}"), 7, "2026-04-14 07:00,F,53.6")), {},
        "another unit than in the lines above", error_line=9,
    ),
    "column that is not there": Export(
        table("Time (UTC),Soil temp 5cm (°C)", PLAIN), {"column": "Probe 3"},
        "there is no column 'Probe 3'; columns there: Time",
    ),
}  # fmt: skip
