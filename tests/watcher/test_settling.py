"""When a capture is finished: by quiet, header, set and lease together, never by one alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from watching import wav

from checks.container import Layout, parse
from watcher import settling
from watcher.files import Stamp
from watcher.lease import Lease
from watcher.settling import Answer, Asked, Sighting
from watcher.tracksets import Capture

ASKED = Asked(quiet_s=120.0, give_up_s=1800.0)
STAMP = Stamp(device=1, inode=2, size=644, mtime_ns=10**18, ctime_ns=10**18)


class Bytes:
    def __init__(self, data: bytes) -> None:
        self.data = data
        self.size = len(data)

    def read_at(self, offset: int, count: int) -> bytes:
        return self.data[offset : offset + count]


def layout(data: bytes) -> Layout:
    return parse(Bytes(data), deep=False)


WHOLE = layout(wav())
NOT_FINISHED = layout(wav(claimed=0))
SHORT = layout(wav()[:-30])


@dataclass
class Case:
    """One file or set, and what is known of it."""

    capture: Capture
    since: float = 0.0
    header: Layout | None = WHOLE
    lease: Lease = Lease.FREE
    asked: Asked = ASKED

    def at(self, now: float) -> Answer:
        seen = {path: Sighting(STAMP, self.since) for path in self.capture.files}
        return settling.answer(
            self.capture,
            seen,
            self.asked,
            now=now,
            header_of=lambda _: self.header,
            lease=lambda _: self.lease,
        )


def one() -> Case:
    return Case(Capture.of_file(Path("/x/take.wav")))


def tracks(*numbers: int, **settings: object) -> Case:
    capture = Capture(
        name="take",
        folder=Path("/x"),
        files=tuple(Path(f"/x/take_tr{n}.wav") for n in numbers),
        numbers=numbers,
    )
    return Case(capture, asked=replace(ASKED, joined=0.0, **settings))  # type: ignore[arg-type]


def test_settled_at_the_end_of_the_quiet_period() -> None:
    assert one().at(119.9) == Answer(settled=False, why=settling.CHANGING, still_s=119.9)
    assert one().at(120.0) == Answer(settled=True, still_s=120.0)


def test_open_for_writing_is_not_settled_however_long() -> None:
    """A preallocated file whose writer stalls, a writer through shared memory."""
    case = one()
    case.lease = Lease.BUSY
    assert case.at(1e6).why == settling.OPEN
    case.lease = Lease.FREE
    assert case.at(1e6).settled


@pytest.mark.parametrize("header", [NOT_FINISHED, SHORT, None])
def test_an_incomplete_container_waits_until_it_is_given_up(header: Layout | None) -> None:
    """Checked as it is, and said."""
    case = one()
    case.header = header
    assert not case.at(1799).settled
    assert case.at(1799).why
    found = case.at(1800)
    assert found.settled
    assert found.why == case.at(1799).why


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"only some text\n", "it has no header of an audio file"),
        (b"", "it has no header of an audio file"),
        (b"RIFF\x24\0\0\0WAVEfmt \x10\0\0\0" + bytes(16), "its header cannot be read"),
        (wav(claimed=0), "its header and its length say that it is not finished"),
    ],
)
def test_what_has_no_header_is_not_called_unfinished_by_it(data: bytes, why: str) -> None:
    case = one()
    case.header = layout(data)
    assert case.at(300).why == why


def test_given_up_does_not_mean_checked_while_open() -> None:
    case = one()
    case.header, case.lease = SHORT, Lease.BUSY
    assert not case.at(1e6).settled


def test_where_leases_do_not_tell_the_quiet_period_doubles() -> None:
    case = one()
    case.lease = Lease.UNKNOWN
    assert case.at(239).why == settling.UNSURE
    assert case.at(240).settled


def test_neither_header_nor_lease_is_touched_while_a_file_grows() -> None:
    def never(path: Path) -> None:
        raise AssertionError(path)

    capture = Capture.of_file(Path("/x/take.wav"))
    seen = {capture.files[0]: Sighting(STAMP, 0.0)}
    settling.answer(capture, seen, ASKED, now=60.0, header_of=never, lease=never)  # type: ignore[arg-type, return-value]


def test_a_set_waits_for_further_tracks() -> None:
    case = tracks(1, 2, 3)
    assert case.at(239).why == settling.MORE_TRACKS
    assert case.at(240).settled


def test_further_tracks_are_waited_for_from_the_last_change() -> None:
    case = tracks(1, 2, 3)
    case.since = 100.0
    assert case.at(339).why == settling.MORE_TRACKS
    assert case.at(340).settled


def test_a_set_of_the_declared_count_does_not() -> None:
    assert tracks(1, 2, 3, channels=3).at(120).settled


@pytest.mark.parametrize("numbers", [(1, 2, 4), (1, 2)])
def test_a_set_with_a_gap_or_short_of_the_sheet_is_given_up_at_last(
    numbers: tuple[int, ...],
) -> None:
    case = tracks(*numbers, channels=4)
    assert not case.at(1799).settled
    found = case.at(1800)
    assert found.settled
    assert found.why is not None
    assert "missing" in found.why


def test_the_first_track_of_a_set_waits_for_the_others() -> None:
    case = one()
    case.asked = replace(ASKED, joined=0.0)
    assert case.at(239).why == settling.MORE_TRACKS
    case.asked = replace(ASKED, joined=0.0, channels=8)
    assert case.at(1799).why == "1 of the 8 tracks that the sheet asks for is there"
    assert case.at(1800).settled


def test_a_multichannel_file_with_a_track_token_waits_for_nobody() -> None:
    case = one()
    case.header = layout(wav(channels=8))
    case.asked = replace(ASKED, joined=0.0)
    assert case.at(120).settled


def test_a_member_that_is_still_growing_holds_the_set_back() -> None:
    case = tracks(1, 2, channels=2)
    first, second = case.capture.files
    seen = {first: Sighting(STAMP, 0.0), second: Sighting(STAMP, 500.0)}
    found = settling.answer(
        case.capture,
        seen,
        case.asked,
        now=600.0,
        header_of=lambda _: WHOLE,
        lease=lambda _: Lease.FREE,
    )
    assert found.why == settling.CHANGING


@pytest.mark.parametrize("field", Stamp._fields)
def test_any_change_of_a_file_begins_the_quiet_period_anew(field: str) -> None:
    """Time put back, file replaced by rename."""
    sighting = Sighting(STAMP, 0.0)
    changed = STAMP._replace(**{field: getattr(STAMP, field) + 1})
    assert sighting.again(changed, 100.0)
    assert sighting.since == 100.0
    assert not sighting.again(changed, 150.0)
    assert sighting.since == 100.0


def test_the_header_is_read_once_for_each_state() -> None:
    read: list[Path] = []

    def header_of(path: Path) -> Layout:
        read.append(path)
        return SHORT

    sighting = Sighting(STAMP, 0.0)
    path = Path("/x/take.wav")
    for _ in range(3):
        assert sighting.header(path, header_of) is SHORT
    sighting.again(STAMP._replace(size=1), 1.0)
    sighting.header(path, header_of)
    assert len(read) == 2


@given(
    st.lists(st.tuples(st.floats(0.1, 400), st.booleans()), min_size=1, max_size=30),
    st.floats(0, 100),
)
def test_whatever_the_writer_does_nothing_settles_within_the_quiet_period(
    steps: list[tuple[float, bool]], jump: float
) -> None:
    """However changes and looks follow each other, and whatever time the file itself bears."""
    sighting = Sighting(STAMP, 0.0)
    capture = Capture.of_file(Path("/x/take.wav"))
    now, changed_at, stamp = 0.0, 0.0, STAMP
    for wait, changes in steps:
        now += wait
        if changes:
            stamp = stamp._replace(size=stamp.size + 1, mtime_ns=int(stamp.mtime_ns - jump * 1e9))
            changed_at = now
        sighting.again(stamp, now)
        found = settling.answer(
            capture,
            {capture.files[0]: sighting},
            ASKED,
            now=now,
            header_of=lambda _: WHOLE,
            lease=lambda _: Lease.FREE,
        )
        assert found.settled == (now - changed_at >= ASKED.quiet_s)
