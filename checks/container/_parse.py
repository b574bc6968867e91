"""From the first bytes of a file to the parser of its container."""

from __future__ import annotations

from datetime import datetime

from checks.container._aiff import parse_aiff
from checks.container._bext import check_clock
from checks.container._caf import parse_caf
from checks.container._draft import Draft, Window
from checks.container._flac import parse_flac
from checks.container._flac_metadata import find_marker
from checks.container._format import SampleFormat
from checks.container._layout import ByteSource, ContainerLimits, Layout
from checks.container._other import parse_dsdiff, parse_dsf, parse_other
from checks.container._riff import MAGICS, parse_riff
from checks.container._w64 import RIFF_GUID, WAVE_GUID, parse_w64


def parse(
    source: ByteSource,
    limits: ContainerLimits | None = None,
    *,
    modified: datetime | None = None,
    deep: bool = True,
) -> Layout:
    """Read the container of a file.

    Args:
        source: the file's bytes.
        limits: where to stop; the defaults if None.
        modified: when the file was last written, in local time, to hold against its own date.
        deep: walk over all frames of FLAC; False looks only at its metadata and last frame.

    Returns:
        The layout; content that is no container gives kind ``other`` and an ``unreadable``
        finding.

    Raises:
        OSError: the source could not be read. Nothing else, whatever the content.
    """
    draft = Draft(Window(source), limits or ContainerLimits(), modified)
    try:
        dispatch(draft, deep=deep)
        check_clock(draft)
    except OSError:
        raise
    except Exception as fault:  # a fault of ours must not look like one of the file's
        draft.fmt, draft.audio_offset, draft.audio_bytes = SampleFormat(), None, 0
        draft.add(
            "not-run",
            f"The parser itself failed ({type(fault).__name__}: {fault}); this is a fault of the "
            "program, not of the capture.",
            fault=type(fault).__name__,
        )
    return draft.freeze()


def dispatch(draft: Draft, *, deep: bool) -> None:
    """Fill the draft in by the parser that the first bytes call for."""
    head = draft.window.read(0, 64)
    if head[:4] in MAGICS and head[8:12] == b"WAVE":
        parse_riff(draft, head)
    elif head[:16] == RIFF_GUID and head[24:40] == WAVE_GUID:
        parse_w64(draft)
    elif head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        parse_aiff(draft, head)
    elif head[:4] == b"caff":
        parse_caf(draft)
    elif head[:4] == b"DSD ":
        parse_dsf(draft)
    elif head[:4] == b"FRM8" and head[12:16] == b"DSD ":
        parse_dsdiff(draft)
    elif (marker := find_marker(draft.window)) is not None:
        parse_flac(draft, marker, deep=deep)
    else:
        parse_other(draft, head)
