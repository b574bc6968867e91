"""Kernels of linear prediction, against the plain sums that they stand for."""

from __future__ import annotations

import numpy as np
import pytest

from checks.dropouts import _predict

SKIPS = [(0, 0), (50, 90), (5, 20), (1000, 1070), (2550, 2600)]


def whole(frames: int, tracks: int = 3) -> np.ndarray:
    return np.rint(1e5 * np.random.default_rng(frames).standard_normal((tracks, frames)))


def plain_sums(x: np.ndarray, order: int, skip: tuple[int, int]) -> np.ndarray:
    """The definition: each sample asked for, times those before it."""
    out = np.zeros((order + 1, order + 1))
    for n in range(order, len(x)):
        if not skip[0] <= n < skip[1]:
            near = x[n - order : n + 1][::-1]
            out += np.outer(near, near)
    return out


@pytest.mark.parametrize("frames", [5, 33, 200, 2560])
@pytest.mark.parametrize("skip", SKIPS)
def test_sums_of_products_of_whole_numbers_are_exact(frames: int, skip: tuple[int, int]) -> None:
    for order in (4, 32):
        rows = whole(frames)
        sums, count = _predict.products(rows, order, skip=skip)
        assert count == sum(not skip[0] <= n < skip[1] for n in range(order, frames))
        for x, own in zip(rows, sums, strict=True):
            assert np.array_equal(own, plain_sums(x, order, skip))
            assert np.array_equal(own, _predict.products(x, order, skip=skip)[0])


def test_each_track_is_fitted_as_by_itself_and_so_is_one_of_zeros() -> None:
    rows = whole(600)
    rows[1] = 0
    for x, own in zip(rows, _predict.fitted(rows, 16), strict=True):
        assert np.array_equal(own, _predict.fitted(x, 16))


@pytest.mark.parametrize("frames", [0, 1, 31, 32, 33, 128, 400])
@pytest.mark.parametrize("order", [4, 32, 96])
def test_a_stretch_at_a_time_goes_on_as_sample_by_sample(frames: int, order: int) -> None:
    rng = np.random.default_rng(order)
    x = 1e5 * np.sin(0.03 * np.arange(1500)) + rng.standard_normal(1500)
    whitening, new = _predict.fitted(x, order), rng.standard_normal(frames)
    out = list(x[-order:])
    for k in range(frames):
        out.append(new[k] - float(whitening[1:] @ np.array(out[::-1][:order])))
    found = _predict.continued(x, whitening, frames, new)
    assert found.shape == (frames,)
    assert np.allclose(found, out[order:], rtol=0, atol=1e-6)
