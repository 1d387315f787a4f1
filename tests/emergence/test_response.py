"""Temperature responses at their cardinal points and against their printed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from thermosprout.emergence.response import beta_response, linear_response


@pytest.mark.parametrize("shape", [linear_response, beta_response])
def test_cardinal_points(shape: object) -> None:
    values = shape([2.0, 5.0, 28.0, 40.0, 45.0], 5.0, 28.0, 40.0)  # type: ignore[operator]
    assert values == pytest.approx([0, 0, 23, 0, 0])


def test_beta_is_the_printed_equation() -> None:
    # Yan & Hunt (1999), Annals of Botany 84:607-614: with minimum temperature, from memory.
    t, low, best, high = 18.0, 5.0, 28.0, 40.0
    printed = ((high - t) / (high - best)) * ((t - low) / (best - low)) ** (
        (best - low) / (high - best)
    )
    assert beta_response(t, low, best, high) == pytest.approx(23 * printed)


@given(
    base=st.floats(-3, 14),
    gap=st.floats(8, 30),
    top=st.floats(3, 20),
    power=st.floats(0.4, 2.5),
    t=st.floats(-20, 60),
)
def test_responses_rise_from_zero_to_the_optimum(
    base: float, gap: float, top: float, power: float, t: float
) -> None:
    opt, ceiling = base + gap, base + gap + top
    for value in (
        linear_response(t, base, opt, ceiling),
        beta_response(t, base, opt, ceiling, power),
    ):
        assert 0.0 <= value <= gap * (1 + 1e-9)
    rising = beta_response(np.linspace(base, opt, 50), base, opt, ceiling, power)
    assert (np.diff(rising) >= -1e-9).all()


def test_cardinal_temperatures_that_nearly_meet_give_no_infinity() -> None:
    """Distances are taken as at least a thousandth of a degree, in the power and below it."""
    t = np.array([4.0, 5.0, 5.0004, 5.0008, 6.0])
    found = beta_response(t, 5.0, 5.0, 12.0)
    assert found.tolist() == [0.0] * 5
    narrow = beta_response(np.array([19.0, 19.9995, 20.0]), 5.0, 20.0, 20.0)
    printed = [((20 - x) / 0.001) * ((x - 5) / 15) ** (15 / 0.001) for x in (19.0, 19.9995, 20.0)]
    assert narrow == pytest.approx([15 * value for value in printed], rel=1e-9)
    rise = beta_response(np.array([5.0004, 5.0008]), 5.0, 5.0005, 12.0)
    shares = [(12 - x) / 6.9995 * ((x - 5) / 0.001) ** (0.001 / 6.9995) for x in (5.0004, 5.0008)]
    assert rise == pytest.approx([0.0005 * share for share in shares], rel=1e-6)


def test_the_straight_response_rises_and_falls_to_the_ceiling() -> None:
    t = np.array([-3.0, 5.0, 5.5, 20.0, 28.0, 31.0, 37.0, 40.0, 41.0])
    expected = [0.0, 0.0, 0.5, 15.0, 23.0, 23.0 * 9 / 12, 23.0 * 3 / 12, 0.0, 0.0]
    assert linear_response(t, 5.0, 28.0, 40.0) == pytest.approx(expected)
    wide = linear_response(t[:, None], np.array([5.0, 6.0]), 28.0, 40.0)
    assert wide.shape == (9, 2)
    assert wide[3].tolist() == [15.0, 14.0]
