"""Whether a CSW answers its CBW, and whether what it says can be so (BOT 1.0 6.3)."""

from __future__ import annotations

from collections.abc import Iterator

from sticktrace.grammar import bot
from sticktrace.text import count_of

_CBW = bot.CBW.fast("dCBWSignature", "dCBWTag", "dCBWDataTransferLength", "bmCBWFlags")
_PHASE_ERROR = 2


def answer_doubts(cbw: bytes, csw: bytes, moved: int = -1) -> Iterator[str]:
    """What speaks against a CSW as the answer to a CBW, one line each; ``moved`` are the bytes seen in the data phase,
    -1 where that is not known. Nothing is said of wrappers that are not whole."""
    if len(cbw) < _CBW.size or len(csw) < bot.CSW_FAST.size or csw[:4] != bot.CSW_MAGIC:
        return
    _, tag, length, *_ = _CBW.unpack_from(cbw)
    _, answered, residue, status = bot.CSW_FAST.unpack_from(csw)
    if answered != tag:
        yield f"dCSWTag {answered:08X}h does not answer dCBWTag {tag:08X}h: the CSW is not valid (BOT 1.0 6.3.1)"
    if status > _PHASE_ERROR:
        yield f"bCSWStatus {status:02X}h is reserved: the CSW is not meaningful (BOT 1.0 6.3.2, Table 5.3)"
    elif residue > length and status != _PHASE_ERROR:
        yield (
            f"dCSWDataResidue {residue:,} is more than the {length:,} of dCBWDataTransferLength: "
            "the CSW is not meaningful (BOT 1.0 6.3.2)"
        )
    elif 0 <= moved < length - residue and status != _PHASE_ERROR:
        yield (
            f"the capture shows {count_of(moved, 'byte')} of data, though dCSWDataResidue {residue:,} of {length:,} "
            f"says that {length - residue:,} count (BOT 1.0 5.2)"
        )
