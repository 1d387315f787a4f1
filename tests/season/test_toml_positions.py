"""Where keys of a TOML text stand, checked against the text itself."""

from __future__ import annotations

from thermosprout.season.load import key_places, nearest_place

TEXT = '''title = "x"
[season]
  timezone = "UTC"
note = """
depth_cm = 5
"""
[[rows]]
id = "a"
"depth_cm" = 2
[[rows]]
id = "b"
[rows.soak]
hours = 3
soil.file = "y.csv"
  [ season . more ]
quoted = \'\'\'one line\'\'\'
last = \'\'\'
[[rows]]
\'\'\'
end = 1
'''


def test_tables_arrays_and_keys_have_their_line_and_column() -> None:
    places = key_places(TEXT)
    assert places[()] == (1, 1)
    assert places["title",] == (1, 1)
    assert places["season",] == (2, 1)
    assert places["season", "timezone"] == (3, 3)
    assert places["season", "note"] == (4, 1)
    assert places["rows",] == (7, 1)
    assert places["rows", 0] == (7, 1)
    assert places["rows", 0, "id"] == (8, 1)
    assert places["rows", 0, "depth_cm"] == (9, 1)
    assert places["rows", 1] == (10, 1)
    assert places["rows", 1, "id"] == (11, 1)
    assert places["rows", 1, "soak"] == (12, 1)
    assert places["rows", 1, "soak", "hours"] == (13, 1)
    assert places["rows", 1, "soak", "soil", "file"] == (14, 1)
    assert places["season", "more"] == (15, 3)
    assert places["season", "more", "quoted"] == (16, 1)
    assert places["season", "more", "end"] == (20, 1)


def test_a_text_of_several_lines_holds_no_key() -> None:
    places = key_places(TEXT)
    assert ("season", "depth_cm") not in places
    assert ("rows", 2) not in places


def test_the_nearest_place_is_what_holds_the_key() -> None:
    places = key_places(TEXT)
    assert nearest_place(places, ["rows", 0, "depth_cm"]) == (9, 1)
    assert nearest_place(places, ["rows", 1, "depth_cm"]) == (10, 1)
    assert nearest_place(places, ["rows", 1, "soak", "hours", 4]) == (13, 1)
    assert nearest_place(places, ["nothing"]) == (1, 1)
    assert nearest_place({}, ["a"]) == (1, 1)
