"""Names of treatments in a plan: slips refused, one's own taken and told."""

from __future__ import annotations

import pytest

from thermosprout.errors import InputError
from thermosprout.trials.records.values import TREATMENTS, check_treatments


@pytest.mark.parametrize(
    ("typed", "meant"), [("soakd", "soaked"), ("Dircet", "direct"), ("pre-sprouted", "presprouted")]
)
def test_a_slip_is_refused_with_what_was_meant(typed: str, meant: str) -> None:
    with pytest.raises(InputError, match=f"there is no treatment '{typed}'") as caught:
        check_treatments(["direct", typed])
    assert meant in str(caught.value.hint)


def test_known_names_need_no_word_and_ones_own_are_told() -> None:
    assert check_treatments([*TREATMENTS, " Soaked ", ""]) == ()
    notes = check_treatments(["direct", "fleece", "soaked 6 h", "soaked 2"])
    assert len(notes) == 3
    assert "fleece" in notes[0]
    assert "soaked 6 h" in notes[1]
