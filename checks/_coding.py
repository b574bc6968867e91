"""Whether the stored samples are those of the converter, and whether a file's name says what it is.

By the coding that the container or the decoder names. What this does not prove: samples that were
coded with loss before and stored as plain PCM since look like any others here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from checks.model import Finding, Remedy, Verdict
from checks.sheet import ContainerName, Expect

WAV_FAMILY: Final = frozenset({"wav", "rf64", "bw64"})

# Endings of names and the containers they promise. Common practice; RFC 2361 for WAVE.
_PROMISED: Final[Mapping[str, frozenset[str]]] = {
    **dict.fromkeys((".wav", ".wave", ".wavex", ".bwf"), WAV_FAMILY | {"rifx"}),
    **dict.fromkeys((".rf64", ".bw64"), WAV_FAMILY),
    ".rifx": frozenset({"rifx"}),
    ".w64": frozenset({"w64"}),
    ".caf": frozenset({"caf"}),
    ".flac": frozenset({"flac"}),
    **dict.fromkeys((".aif", ".aiff", ".aifc"), frozenset({"aiff", "aifc"})),
    **dict.fromkeys((".au", ".snd", ".oga", ".ogg", ".opus", ".mp3", ".m4a"), frozenset({"other"})),
}


def allowed(container: str, expect: Expect) -> bool:
    """Whether the sheet, if it names containers, names this one; ``wav`` stands for its family."""
    if expect.containers is None:
        return True
    names = {name.value for name in expect.containers}
    if ContainerName.WAV.value in names:
        names |= WAV_FAMILY
    return container in names


def lossy(coding: str, container: str | None, expect: Expect) -> Finding:
    """A coding that does not give back what the converter gave; ``redo`` by what the sheet asks."""
    asked = []
    if expect.word_length is not None:
        asked.append(f"words of {expect.word_length} bits")
    if container is not None and not allowed(container, expect):
        asked.append(", ".join(name.value for name in expect.containers or ()))
    sheet = f"; the sheet asks for {' and '.join(asked)}" if asked else ""
    return Finding(
        check="format",
        kind="container-type",
        verdict=Verdict.REDO if asked else Verdict.LISTEN,
        remedy=Remedy.RECOPY,
        text=f"The audio is coded with loss ({coding}){sheet}: these are not the samples that the "
        "converter gave, so this is no straight transfer, and what was left out cannot be brought "
        "back. Fetch the file that was recorded; if there is none, play the tape again.",
        values={"coding": coding, "container": container},
    )


def misnamed(ending: str, container: str) -> Finding | None:
    """A note where the ending of a name promises another container than the file is."""
    promised = _PROMISED.get(ending.lower())
    if promised is None or container in promised:
        return None
    what = container.upper() if container != "other" else "of another kind"
    return Finding(
        check="format",
        kind="container-type",
        verdict=Verdict.CLEAR,
        remedy=Remedy.NONE,
        text=f"The name ends in {ending}, the content is {what}: it was read as what it is, but "
        "other programs may go by the name.",
        values={"container": container, "ending": ending},
    )
