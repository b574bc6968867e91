"""Medians and percentiles: held against numpy's own, which they stand in for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from checks._ranks import median, percentile

SHAPES = [((1,), None), ((2,), None), ((9,), 0), ((7, 12), None), ((7, 12), 0), ((7, 12), -1),
          ((3, 4, 5), 1)]  # fmt: skip


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int64])
@pytest.mark.parametrize(("shape", "axis"), SHAPES)
def test_as_numpys(shape: tuple[int, ...], axis: int | None, dtype: type) -> None:
    x = np.random.default_rng(1).normal(0, 100, shape).astype(dtype)
    np.testing.assert_array_equal(median(x, axis=axis), np.median(x, axis=axis))
    for percents in (0, 10, 100, (5, 95)):
        got, numpys = percentile(x, percents, axis), np.percentile(x, percents, axis=axis)
        assert np.shape(got) == np.shape(numpys)
        np.testing.assert_allclose(got, numpys, rtol=1e-6, atol=1e-5)


def test_by_hand() -> None:
    assert median([4, 1, 3, 2]) == 2.5
    assert median([-np.inf, -np.inf, 1.0]) == -np.inf
    assert percentile([10.0, 20.0], 25) == 12.5


def test_nan_among_them_or_none_at_all() -> None:
    x = np.array([[1.0, np.nan, 2.0], [3.0, 1.0, 2.0]])
    np.testing.assert_array_equal(median(x, axis=1), [np.nan, 2.0])
    np.testing.assert_array_equal(percentile(x, 50, axis=1), [np.nan, 2.0])
    assert np.isnan(median([]))
    assert np.isnan(percentile(np.zeros((2, 0)), (5, 95), axis=1)).shape == (2, 2)


def test_without_masked_arrays() -> None:
    """numpy's own median and percentile bring them in, which takes tens of milliseconds."""
    code = (
        "import sys; from checks._ranks import median, percentile; median([1, 2]);"
        "percentile([1, 2], 5); sys.exit('numpy.ma' in sys.modules)"
    )
    root = Path(__file__).resolve().parents[2]
    assert subprocess.run([sys.executable, "-c", code], cwd=root, check=False).returncode == 0
