"""Containers: the public recordings and malformed files, each with what must come out.

The table below was written by hand from the descriptions that came with the files. Files it does
not name must give no finding but notes.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import pytest
from container_files import Held

from checks.container import Layout, parse
from checks.model import Verdict

CORPUS: Final = Path(__file__).resolve().parents[3] / "shared" / "corpus"
AUDIO: Final = frozenset(
    {".wav", ".rf64", ".wavex", ".w64", ".aif", ".aiff", ".aifc", ".caf", ".flac", ".au"}
    | {".oga", ".dsf", ".dff"}
)
FILES: Final = sorted(p for p in CORPUS.glob("*/*") if p.suffix.lower() in AUDIO)

# file -> verdict, kinds in order, whole frames there (None: not known from the container).
EXPECT: Final[dict[str, tuple[str, list[str], int | None]]] = {
    # Sound files that deserve a note.
    "ultrasonic/bat_recorder_gap_250k.WAV": ("clear", ["missing-pad"], 1_681_312),
    "containers/bwf_ixml_field_no_pad.WAV": ("clear", ["missing-pad"], 240_239),
    "containers/flac_behind_id3.flac": ("clear", ["leading-bytes"], 44_100),
    "containers/flac_unknown_length.flac": ("clear", ["size-mismatch"], 336_410),
    # Sound, but no decoder here reads them.
    "containers/aifc_private_codec.aif": ("unread", ["unsupported"], None),
    "containers/caf_ima4.caf": ("unread", ["unsupported"], None),
    "containers/dsdiff_10ms.dff": ("unread", ["unsupported"], None),
    "containers/dsdiff_dst.dff": ("unread", ["unsupported"], None),
    "containers/dsf_10ms.dsf": ("unread", ["unsupported"], None),
    "malformed/dsf_tag_unparseable.dsf": ("unread", ["unsupported"], None),
    "wordlength/flac_12bit.flac": ("unread", ["unsupported"], 218_666),
    "wordlength/flac_20bit_96k.flac": ("unread", ["unsupported"], 767_637),
    "wordlength/flac_32bit.flac": ("unread", ["unsupported"], 22_050),
    "wordlength/pcm_36bit.wav": ("unread", ["unsupported"], None),
    # Sound in letter, surprising in fact.
    "wordlength/pcm_24_valid_in_32.wav": ("listen", ["bad-chunk"], 2),
    "malformed/flac_bitdepth_changes.flac": ("redo", ["unfinalised", "bad-chunk"], 495_232),
    "malformed/flac_channels_grow.flac": ("redo", ["unfinalised", "bad-chunk"], 638_856),
    "malformed/flac_no_marker.flac": ("unread", ["unreadable"], None),
    # Broken: AIFF.
    "malformed/aiff_excessive_alloc.aif": ("unread", ["unreadable"], None),
    "malformed/aiff_half_frame.aiff": ("redo", ["size-mismatch", "truncated"], 2936),
    "malformed/aiff_no_ssnd.aif": ("redo", ["bad-chunk"], 0),
    "malformed/aiff_rate_infinite.aiff": ("unread", ["bad-chunk", "unreadable"], 0),
    "malformed/aiff_trailing_junk.aif": ("listen", ["size-mismatch", "trailing-bytes"], 15),
    "malformed/picture_named.aiff": ("unread", ["unreadable"], None),
    # Broken: FLAC. Frames as an independent walk counted them.
    "malformed/flac_6ch_truncated.flac": ("redo", ["truncated"], 4608),
    "malformed/flac_bad_metadata_length.flac": ("redo", ["bad-chunk", "bad-chunk"], 52_271),
    "malformed/flac_blocksize_1.flac": ("listen", ["bad-chunk"], 41_519),
    "malformed/flac_fuzz_02947f.flac": ("redo", ["truncated"], 0),
    "malformed/flac_fuzz_07d990.flac": ("unread", ["unreadable"], None),
    "malformed/flac_fuzz_0fd738.flac": ("redo", ["empty"], 0),
    "malformed/flac_fuzz_23d128.flac": ("unread", ["unreadable"], None),
    "malformed/flac_fuzz_5ef80a.flac": ("unread", ["bad-chunk", "unreadable"], None),
    "malformed/flac_fuzz_64a18b.flac": ("redo", ["truncated"], 0),
    "malformed/flac_fuzz_6eccab.flac": ("unread", ["unsupported", "truncated"], 0),
    "malformed/flac_fuzz_a7f07b.flac": ("redo", ["truncated"], 0),
    "malformed/flac_header_only.flac": ("redo", ["bad-chunk", "truncated"], 0),
    "malformed/flac_huge_comment.flac": ("unread", ["bad-chunk", "unreadable"], None),
    "malformed/flac_invalid_block_sizes.flac": ("redo", ["bad-chunk", "bad-chunk"], 4410),
    "malformed/flac_marker_only.flac": ("unread", ["bad-chunk", "unreadable"], None),
    "malformed/flac_overwritten_metadata.flac": ("redo", ["truncated"], 0),
    "malformed/flac_streaminfo_not_first.flac": ("listen", ["bad-chunk"], 106_031),
    "malformed/flac_truncated_10k.flac": ("redo", ["truncated"], 39_936),
    "malformed/flac_truncated_behind_id3.flac": (
        "redo",
        ["leading-bytes", "trailing-bytes", "truncated"],
        16_384,
    ),
    "malformed/flac_wrong_bit_depth.flac": ("redo", ["bad-chunk"], 89_903),
    "malformed/flac_wrong_max_blocksize.flac": ("listen", ["bad-chunk"], 101_999),
    "malformed/flac_wrong_total_samples.flac": ("listen", ["size-mismatch"], 109_487),
    "malformed/flac_zero_streaminfo.flac": (
        "unread",
        ["unreadable", "unsupported", "unfinalised", "bad-chunk", "bad-chunk"],
        4410,
    ),
    # Broken: RIFF.
    "malformed/lfs_pointer.wav": ("unread", ["unreadable"], None),
    "malformed/rf64_no_ds64.wav": ("listen", ["bad-chunk", "size-mismatch"], 22_050),
    "malformed/riff_id_broken.wav": ("unread", ["unreadable"], None),
    "malformed/wav_13_bytes.wav": ("redo", ["truncated"], 0),
    "malformed/wav_24bit_in_4byte_align8.wav": ("listen", ["bad-chunk", "bad-chunk"], 2),
    "malformed/wav_bext_only.wav": ("redo", ["bad-chunk"], 0),
    "malformed/wav_early_eof.wav": ("redo", ["truncated"], 236),
    "malformed/wav_first_100_bytes.wav": ("redo", ["truncated"], 3),
    "malformed/wav_fuzz_247285.wav": ("unread", ["unreadable", "truncated"], 0),
    "malformed/wav_fuzz_e5471f.wav": ("unread", ["unsupported"], None),
    "malformed/wav_fuzz_oom_48ae4c.wav": ("redo", ["truncated"], 0),
    "malformed/wav_header_only.wav": ("redo", ["empty"], 0),
    "malformed/wav_inconsistent_align.wav": ("listen", ["bad-chunk"], 5),
    "malformed/wav_loop_chunk.wav": ("clear", ["missing-pad", "trailing-bytes"], 14_083),
    "malformed/wav_mp3_header_only.wav": ("redo", ["empty"], 0),
    "malformed/wav_no_data_chunk.wav": ("redo", ["bad-chunk"], 0),
    "malformed/wav_one_byte_of_data.wav": ("redo", ["bad-chunk", "truncated"], 0),
    "malformed/wav_partial_last_frame.wav": ("listen", ["size-mismatch"], 219_429),
    "malformed/wav_riff_size_double.wav": ("listen", ["size-mismatch"], 40_200),
    "malformed/wav_riff_size_short.wav": ("listen", ["size-mismatch"], 4410),
    "malformed/wav_riff_tags_stray.wav": ("listen", ["trailing-bytes", "size-mismatch"], 44_100),
    "malformed/wav_size_two_long.wav": ("listen", ["size-mismatch"], 1),
    "malformed/wav_streamed_sizes_ffffffff.wav": ("redo", ["unfinalised"], 27_648),
    "malformed/wav_uneven_data.wav": ("listen", ["bad-chunk", "size-mismatch"], 13),
    "malformed/wav_wrong_fmt_size.wav": ("listen", ["bad-chunk"], 22_050),
    "malformed/wav_zero_fmt.wav": ("unread", ["unreadable"], None),
    "malformed/wav_zero_size_chunks.wav": ("redo", ["unfinalised"], 245),
    "malformed/zero_bytes.wav": ("unread", ["unreadable"], None),
}


def verdict(layout: Layout) -> str:
    return str(Verdict.worst(f.verdict for f in layout.findings))


@pytest.mark.skipif(not FILES, reason="the corpus of public files is not beside the project")
@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_corpus_file(path: Path) -> None:
    source = Held(path.read_bytes())
    layout = parse(source)
    name = f"{path.parent.name}/{path.name}"
    expected, kinds, frames = EXPECT.get(name, ("clear", [], layout.found_frames))
    assert ([f.kind for f in layout.findings], verdict(layout)) == (kinds, expected)
    assert layout.found_frames == frames
    shallow = parse(source, deep=False)
    assert shallow.complete == layout.complete


@pytest.mark.skipif(not FILES, reason="the corpus of public files is not beside the project")
def test_the_table_names_files_that_are_there() -> None:
    assert set(EXPECT) <= {f"{p.parent.name}/{p.name}" for p in FILES}


@pytest.mark.parametrize(
    ("name", "chunks"),
    [
        ("multichannel/adm_4ch_24bit.wav", "JUNK fmt chna axml data"),
        ("multichannel/silence_16ch_24bit_bext_ixml.wav", "JUNK bext Fake fmt data iXML"),
        ("containers/bwf_umid_24bit.wav", "JUNK bext fmt minf elm1 data FLLR regn umid DGDA"),
        ("containers/bwf_wavefmtex.wav", "fmt fact data LIST MD5 bext iXML"),
        ("containers/wav_cue_smpl.wav", "fmt data bext cue smpl LIST"),
        ("containers/caf_ima4.caf", "desc info pakt free data"),
        ("containers/aifc_alaw.aifc", "FVER COMM MARK INST AUTH (c) NAME SSND"),
        ("hires/music_96k_24bit.flac", "STREAMINFO SEEKTABLE VORBIS_COMMENT PADDING"),
    ],
)
def test_chunks_are_listed_in_order(corpus: Path, name: str, chunks: str) -> None:
    layout = parse(Held((corpus / name).read_bytes()))
    assert [c.id.strip() for c in layout.chunks] == chunks.split(" ")
