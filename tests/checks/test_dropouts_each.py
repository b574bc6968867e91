"""What is told of all tracks of a place at once is what is told of each by itself."""

from __future__ import annotations

import numpy as np
import pytest

from checks.dropouts import _junction, _predict
from checks.dropouts._junction import ORDER
from checks.dropouts._steps import _causes, _foreign

AT = 1024


def rows(tracks: int = 5) -> np.ndarray:
    """Tones in noise, all but the first of which are cut at one sample."""
    rng = np.random.default_rng(tracks)
    t = np.arange(2 * AT + 512)
    turns = np.array([0.01 + 0.007 * k for k in range(tracks)])
    out = 20_000 * np.sin(2 * np.pi * turns[:, None] * t) + 15 * rng.standard_normal(
        (tracks, len(t))
    )
    out[1:, AT:] = np.roll(out[1:], -37, axis=1)[:, AT:]
    return np.rint(out)


@pytest.mark.parametrize("at", [AT, AT + 3])
def test_each_jumps_as_the_look_at_one_track_has_it(at: int) -> None:
    found = [_junction.looked_at(x, AT, at=at) for x in rows()]
    jumps = _junction.jumps_at(rows(), at)
    assert jumps == pytest.approx([one.jump for one in found if one is not None], rel=1e-12)
    assert max(jumps) > 12 > jumps[0]


def test_where_a_side_is_short_nothing_jumps() -> None:
    assert _junction.jumps_at(rows()[:, : AT + 100], AT) == [0.0] * 5
    assert _junction.looked_at(rows()[1, : AT + 100], AT, at=AT) is None
    assert _junction.jumps_at(rows()[:0], AT) == []


def test_each_goes_on_as_by_itself() -> None:
    x = rows()
    heads = x[:, AT : AT + ORDER]
    models = _predict.each_known(x[:, :AT], ORDER)
    for past, (whitening, floor) in zip(x[:, :AT], models, strict=True):
        own, least = _predict.known(past, ORDER)
        assert np.array_equal(whitening, own)
        assert floor == least
        alone = [_causes.goes_on(past, y[AT:], whitening, floor) for y in x]
        assert _causes.each_goes_on(past, heads, whitening, floor) == pytest.approx(alone, rel=1e-9)


def test_what_is_remembered_of_a_track_is_what_it_tells_alone() -> None:
    x = rows()
    x[:, AT : AT + 40] += 3000 * np.random.default_rng(1).standard_normal((5, 40))
    stretches = _foreign.Stretches(x, AT)
    for tracks in ([0, 1, 2], [0], [1, 3, 4]):
        anew = _foreign.Stretches(x[tracks], AT).shared(range(len(tracks)))
        assert stretches.shared(tracks) == anew is not None
