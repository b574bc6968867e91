"""What every test gets: no thread may outlive its test."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before any test loads numpy: as in use

PROJECT = Path(__file__).resolve().parents[1]
CORPUS = PROJECT.parent / "shared" / "corpus"


@pytest.fixture(autouse=True)
def _no_thread_left() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    left = [t for t in threading.enumerate() if t not in before and t.is_alive() and not t.daemon]
    for thread in left:
        thread.join(timeout=5)
    assert not [t for t in left if t.is_alive()], "a thread outlived the test"


@pytest.fixture
def corpus() -> Path:
    """The folder of public recordings and malformed files, where it is at hand."""
    if not CORPUS.is_dir():
        pytest.skip("the corpus of public files is not beside the project")
    return CORPUS
