"""From a compressed file to planar samples, by libsndfile.

Imported when the first such file is opened: soundfile takes a while to import, and the captures of
most archives are plain PCM, which ``watcher.reader`` unpacks.
"""

from __future__ import annotations

import os
import re
from typing import Final

import numpy as np
import soundfile

from checks.model import Samples
from watcher.errors import UnreadError


class _Straight(soundfile.SoundFile):  # type: ignore[misc]  # soundfile ships no types
    """Reads forward only: seeking after each read fails on valid files of unknown length."""

    def seekable(self) -> bool:
        return False


class DecodedFeed:
    """Frames of a file that libsndfile decodes, in order.

    Attributes:
        channels, rate_hz, word_length, floating: what the decoder says.
        lossy: the coding's name, where it does not give back what went in; else empty.
    """

    def __init__(self, fd: int) -> None:
        os.lseek(fd, 0, os.SEEK_SET)
        try:
            self._file = _Straight(fd, closefd=False)
        except (soundfile.LibsndfileError, RuntimeError, TypeError) as error:
            raise UnreadError(
                f"is refused by the decoder ({_plain(error)})", kind="unsupported"
            ) from error
        self.channels: int = self._file.channels
        self.rate_hz: int = self._file.samplerate
        self.subtype: str = self._file.subtype
        self.container: str = self._file.format
        self.frames_promised: int = self._file.frames
        self.word_length, self.floating = _SUBTYPES.get(self.subtype, (16, False))
        lossless = self.subtype.startswith(_LOSSLESS)
        self.lossy = "" if lossless else str(_LOSSY.get(self.subtype, self.subtype))
        self.dtype = np.dtype(
            np.int32 if not self.floating else np.float64 if self.word_length == 64 else np.float32
        )
        self._scratch: Samples = np.empty((0, self.channels), self.dtype)
        self.frames_read = 0

    def read_into(self, out: Samples) -> int:
        """Fill ``out`` (tracks, frames); returns the frames put there, fewer only at the end.

        Raises:
            UnreadError: the decoder stopped with an error.
        """
        if self._scratch.shape[0] < out.shape[1]:
            self._scratch = np.empty((out.shape[1], self.channels), self.dtype)
        done = 0
        while done < out.shape[1]:
            target = self._scratch[: out.shape[1] - done]
            try:
                got = len(self._file.read(len(target), out=target))
            except (soundfile.LibsndfileError, RuntimeError) as error:
                raise UnreadError(
                    f"cannot be decoded beyond frame {self.frames_read:,} ({_plain(error)}): what "
                    "follows was not looked at. The file is damaged; fetch it again from where it "
                    "was recorded before the tape is played again"
                ) from error
            if not got:
                break
            out[:, done : done + got] = target[:got].T
            done += got
            self.frames_read += got
        return done

    def close(self) -> None:
        self._file.close()


_SUBTYPES: Final = {
    "PCM_S8": (8, False),
    "PCM_U8": (8, False),
    "PCM_16": (16, False),
    "PCM_24": (24, False),
    "PCM_32": (32, False),
    "FLOAT": (32, True),
    "DOUBLE": (64, True),
    "ALAC_16": (16, False),
    "ALAC_20": (20, False),
    "ALAC_24": (24, False),
    "ALAC_32": (32, False),
    "VORBIS": (32, True),
    "OPUS": (32, True),
    "MPEG_LAYER_I": (32, True),
    "MPEG_LAYER_II": (32, True),
    "MPEG_LAYER_III": (32, True),
}

# By the documentation of libsndfile 1.2; a coding it learns later counts as lossy until it is here.
_LOSSLESS: Final = ("PCM", "ALAC", "FLOAT", "DOUBLE", "DWVW", "DPCM")
_LOSSY: Final = {
    "ULAW": "mu-law",
    "ALAW": "A-law",
    "VORBIS": "Vorbis",
    "OPUS": "Opus",
    "MPEG_LAYER_I": "MPEG layer I",
    "MPEG_LAYER_II": "MPEG layer II",
    "MPEG_LAYER_III": "MP3",
    "GSM610": "GSM 6.10",
    **dict.fromkeys(("IMA_ADPCM", "MS_ADPCM", "VOX_ADPCM"), "ADPCM"),
    **dict.fromkeys(("G721_32", "G723_24", "G723_40"), "ADPCM"),
    **dict.fromkeys(("NMS_ADPCM_16", "NMS_ADPCM_24", "NMS_ADPCM_32"), "ADPCM"),
}


def _plain(error: Exception) -> str:
    text = str(getattr(error, "error_string", None) or error).strip().rstrip(".")
    return re.sub(r"^Error\s*:\s*", "", text)
