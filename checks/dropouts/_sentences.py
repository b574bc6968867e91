"""The sentences in which a step is told, and what to do where the stored file is at fault."""

from __future__ import annotations

from typing import Final

UNPROVEN: Final = "unproven"
REPLACED: Final = "replaced"
"""Causes of steps of which nothing is known, and where something stands in place of the programme:
the latter are told apart, whether proven or not."""

RECODED: Final = "recoded"
"""Cause of steps behind which words are written otherwise, but whole (``_recoded``)."""

JUMP: Final = (
    "The signal jumps between two samples, and each side fits itself: samples may be lost or put "
    "in here, which cannot be proven from the sound alone; listen."
)
JUMPS: Final = (
    "The signal jumps between two samples, and each side fits itself: samples are lost in many "
    "places, or sounds were made to begin within one sample, or coded in blocks; listen."
)
JUMP_AND_SLIP: Final = (
    "The signal jumps between two samples, and the timecode slips there: samples are lost or put "
    "in, or the tape was cut, or the code recorded anew; listen."
)
TURN: Final = (
    "Several tracks turn to something else between the same two samples: tracks may change places, "
    "much is missing, or other samples stand there; listen."
)
SWAP: Final = "Tracks change places: what follows on one goes on from another; play the tape again."
MOVED: Final = (
    "Tracks seem to change places: what follows on one goes on from another, but one of them is "
    "too loud or too restless to prove it; listen."
)
MISSING: Final = (
    "Samples are missing: what follows is what should come some frames later; play the tape again."
)
PUT_IN: Final = (
    "Samples were put in that do not belong there: the signal goes on behind them; play the tape "
    "again."
)
WORD: Final = (
    "One sample is wrong, and all around it fits without it: a digital fault; play the tape again."
)
PERHAPS_WORD: Final = (
    "One sample does not fit what is around it, which is not steady enough to prove that it is "
    "wrong; listen."
)
CUT: Final = (
    "The signal is cut between two samples, and each side fits itself to the very sample: nothing "
    "that comes before a converter can do that, samples are lost or put in; play the tape again."
)
OUT_OF_TIME: Final = (
    "The signal is cut between two samples, and the timecode slips there: samples are lost or put "
    "in; play the tape again."
)
SLIP: Final = (
    "The timecode slips between two of its edges: samples are lost or put in there, though the "
    "other tracks may not show it, or the tape was cut, or the code recorded anew; listen."
)
FOREIGN: Final = (
    "Some samples do not belong there, and they begin and end from one sample to the next: nothing "
    "that comes before a converter can do that; play the tape again."
)
STAND_IN: Final = (
    "Something else stands here in place of the programme, which breaks off and is back from one "
    "sample to the next and does not go on beneath: a digital fault; play the tape again."
)
PERHAPS_STAND_IN: Final = (
    "Something else stands here in place of the programme, which breaks off and is back within a "
    "few samples and does not go on beneath: other samples, or a note that a machine stopped and "
    "began again; listen."
)
NOISE: Final = (
    "Noise up to half the rate sets in at one sample, as no tape and no converter's filter lets "
    "through: words that were lost, or a sound that never met a converter; listen."
)
BETWEEN: Final = (
    "The signal jumps between two samples and does so again a little later, and all is then as it "
    "was before: other samples, or a sound that a machine began and stopped; listen."
)
PARTED: Final = (
    "The signal is cut between two samples, and nothing of what sounds on either side goes on "
    "within the other: samples are lost, or something else stands there, which cannot be proven "
    "from the sound alone; listen."
)
PERHAPS_FOREIGN: Final = (
    "Some samples do not belong there, from one sample to the next: put in, or in place of others, "
    "or a very short disturbance; listen."
)
CUT_BEHIND_TAPE: Final = (
    "The signal is cut between two samples, faster than anything on this tape, and the same "
    "programme goes on: samples are lost or put in, or something was switched behind the machine; "
    "play the tape again."
)
STEEP: Final = (
    "The signal jumps between two samples, faster than anything on this tape, whose hiss ends far "
    "below half the rate: samples are lost or put in, tracks change places, or something was "
    "switched behind the machine; listen."
)
ON_THE_BEAT: Final = (
    "Some samples stand alone here, again and again at the beat of a clock: a click track, which "
    "the sheet can name so, or a digital fault that keeps time; listen."
)
RECOPY_FIRST: Final = (
    "the stored file is at fault. Fetch it again from where it was recorded; play the tape again "
    "only if the file there has the same."
)
