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
def test_responses_stay_between_zero_and_the_optimum_and_rise_up_to_it(
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
