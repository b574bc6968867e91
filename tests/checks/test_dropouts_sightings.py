"""Kernels of repeats: the table of keys, where very many of them are alike."""

from __future__ import annotations

import numpy as np
import pytest

from checks.block import Workspace
from checks.dropouts import _sightings
from checks.dropouts._sightings import FINE, Sightings


def table() -> Sightings:
    return Sightings(FINE, least=32, frames=4000, most_bytes=1 << 14, scratch=Workspace())


def one_by_one(batches: list[np.ndarray]) -> list[list[int]]:
    """The definition: each key meets the last four tags of its slot, then goes in front."""
    slots: dict[int, list[int]] = {}
    out = []
    for keys in batches:
        seen = []
        for k, key in enumerate(keys.tolist()):
            held = slots.setdefault(key >> 23, [])
            tag = max(key & 0xFFFF, 1)
            if tag in held:
                seen.append(k)
            held.insert(0, tag)
            del held[4:]
        out.append(seen)
    return out


@pytest.mark.parametrize("distinct", [1, 2, 7, 4000])
def test_keys_that_come_again_and_again_are_met_as_one_by_one(distinct: int) -> None:
    rng = np.random.default_rng(distinct)
    of = rng.integers(0, 1 << 32, distinct, dtype=np.uint32)
    of[: distinct // 2] &= np.uint32(0x00FFFFFF)  # slots that several of them share
    batches = [of[rng.integers(0, distinct, 3000)] for _ in range(2)]
    batches += [np.repeat(of[rng.integers(0, distinct, 300)], 9)]
    sightings = table()
    assert len(sightings._table) == 1 << 9
    found = [sightings._push(keys).tolist() for keys in batches]
    expected = one_by_one(batches)
    assert all(set(some) >= set(told) for some, told in zip(found, expected, strict=True))
    extra = sum(len(some) - len(told) for some, told in zip(found, expected, strict=True))
    assert extra <= 3  # a lane is taken for zero once in 65,536


def test_a_loop_costs_no_more_the_longer_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    rounds: list[int] = []
    put = Sightings._put

    def counted(self: Sightings, slots: np.ndarray, tags: np.ndarray) -> np.ndarray:
        rounds.append(len(slots))
        return put(self, slots, tags)

    monkeypatch.setattr(Sightings, "_put", counted)
    loop = np.tile(np.random.default_rng(1).integers(-(2**31), 2**31, 32).astype(np.int32), 2000)
    table().feed(_sightings.words(loop), 0)
    assert len(rounds) < 20
