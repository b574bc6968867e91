"""The broadcast extension ``bext``: EBU Tech 3285 v0 (1997), v1 (2001), v2 (May 2011)."""

from __future__ import annotations

import re
import struct
from datetime import datetime, timedelta
from typing import Final

from checks.container._draft import Draft
from checks.measures import BextLine

SIZE: Final = 602  # EBU Tech 3285: the fixed part
_UNSET: Final = 0x7FFF  # v2: a loudness value that is not set
_HISTORY: Final = 8_192  # characters of coding history kept; ours
_DATE: Final = re.compile(r"(\d{4})[-_: .](\d\d)[-_: .](\d\d)")
_TIME: Final = re.compile(r"(\d\d)[-_: .](\d\d)[-_: .](\d\d)")


def read_bext(draft: Draft, payload: bytes, claimed: int, *, big_endian: bool = False) -> None:
    """Take over the chunk; report one that is too short."""
    if len(payload) < SIZE:
        draft.add(
            "bad-chunk",
            f"The bext chunk holds {claimed:,} bytes where {SIZE} are needed: what it said of "
            "the recording is lost, the audio is not touched.",
            bytes=claimed,
        )
        return
    order = ">" if big_endian else "<"  # big only in RIFX
    low, high, version = struct.unpack_from(f"{order}IIH", payload, 338)
    umid = payload[348:412]
    loudness = struct.unpack_from(f"{order}5h", payload, 412)
    values = [None if version < 2 or v == _UNSET else v / 100.0 for v in loudness]
    draft.bext = BextLine(
        description=_text(payload[:256]),
        originator=_text(payload[256:288]),
        originator_reference=_text(payload[288:320]),
        origination_date=_text(payload[320:330]),
        origination_time=_text(payload[330:338]),
        time_reference=low | high << 32,
        version=version,
        umid=umid.hex() if version >= 1 and any(umid) else None,
        loudness_lufs=values[0],
        loudness_range_lu=values[1],
        max_true_peak_dbtp=values[2],
        max_momentary_lufs=values[3],
        max_short_term_lufs=values[4],
        coding_history=_text(payload[SIZE:])[:_HISTORY],
    )


def _text(field: bytes) -> str:
    """A field up to its first NUL: UTF-8 where it is that, else as Latin-1."""
    field = field.split(b"\0", 1)[0]
    try:
        return field.decode("utf-8").rstrip(" ")
    except UnicodeDecodeError:
        return field.decode("latin-1").rstrip(" ")


def check_clock(draft: Draft) -> None:
    """Notes where date, time reference and the file's own time contradict each other."""
    bext = draft.bext
    if bext is None:
        return
    rate = draft.fmt.rate_hz
    if rate and bext.time_reference >= 86_400 * rate:
        draft.add(
            "clock",
            "The time reference of the bext chunk lies beyond 24 hours after midnight.",
            time_reference_samples=bext.time_reference,
        )
    if not bext.origination_date:
        return
    made = _moment(bext)
    if made is None:
        draft.add("clock", "The bext chunk holds a date or time that does not exist.")
        return
    if draft.modified is None:
        return
    local = draft.modified.replace(tzinfo=None)
    length = timedelta(seconds=(draft.found_frames or 0) / rate) if rate else timedelta()
    apart = max(made - local, local - made - length)  # no moment may lie beyond the calendar
    if apart > timedelta(days=draft.limits.clock_days):
        draft.add(
            "clock",
            f"The bext chunk dates the recording to {made:%Y-%m-%d}, the file was last written "
            f"on {local:%Y-%m-%d}; any copy may change a file's time.",
            days_apart=round(apart / timedelta(days=1), 1),
        )


def _moment(bext: BextLine) -> datetime | None:
    """Date and time of origination; a missing time counts as midnight."""
    date = _DATE.fullmatch(bext.origination_date)
    time = _TIME.fullmatch(bext.origination_time or "00:00:00")
    if date is None or time is None:
        return None
    try:
        return datetime(*(int(part) for part in (*date.groups(), *time.groups())))  # type: ignore[arg-type]
    except ValueError:
        return None
