"""Axes of a fit: whatever eigenvectors the linear algebra hands over, the same come out."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import ortho_group

from thermosprout.calibration.sampling import _Proposal, principal_axes, settled


def test_turning_columns_among_themselves_changes_nothing() -> None:
    columns = ortho_group.rvs(6, random_state=1)[:, :3]
    turned = columns @ ortho_group.rvs(3, random_state=2)
    assert np.allclose(settled(turned), settled(columns), atol=1e-12)
    assert np.allclose(settled(columns) @ settled(columns).T, columns @ columns.T)


def test_axes_still_make_up_the_matrix() -> None:
    axes = ortho_group.rvs(5, random_state=3)
    matrix = (axes * [9.0, 4.0, 1.0, 1.0, 1.0]) @ axes.T
    values, vectors = principal_axes(matrix)
    assert np.allclose(values, [1.0, 1.0, 1.0, 4.0, 9.0])
    assert np.allclose((vectors * values) @ vectors.T, matrix)


def test_draws_do_not_hang_on_what_the_decomposition_leaves_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    axes = ortho_group.rvs(5, random_state=4)
    precision = (axes * [90.0, 20.0, 1.0, 1.0, 1.0]) @ axes.T

    def drawn() -> np.ndarray:
        return _Proposal.about(np.zeros(5), precision).draw(50, np.random.default_rng(5))

    before = drawn()
    plain = np.linalg.eigh

    def other(matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Other signs and another turn within the equal values, just as right."""
        values, vectors = plain(matrix)
        vectors = vectors.copy()
        vectors[:, :3] = vectors[:, :3] @ ortho_group.rvs(3, random_state=6)
        vectors[:, 3] *= -1.0
        return values, vectors

    monkeypatch.setattr(np.linalg, "eigh", other)
    assert np.allclose(drawn(), before, atol=1e-9)
