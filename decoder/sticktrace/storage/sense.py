"""Sense data boiled down: what a host needs of it, in words, and what to do next.

Formats: SPC-3 4.5; `sticktrace.grammar.sense` lays out every byte. The advice is common practice among host drivers.
"""

from __future__ import annotations

from dataclasses import dataclass

from sticktrace.codes import asc as asc_codes
from sticktrace.codes import sense_keys


@dataclass(frozen=True, slots=True)
class SenseFacts:
    """The parts of sense data that decide what a host does.

    ``deferred``: the error belongs to an earlier command. ``information`` is the INFORMATION field (for a disk the
    logical block address concerned), None unless marked valid. ``ili``: wrong length. ``progress`` is a fraction from
    0 to 1 of the operation that makes the unit not ready, or None.
    """

    response_code: int
    key: int
    asc: int
    ascq: int
    deferred: bool
    information: int | None = None
    ili: bool = False
    progress: float | None = None

    @property
    def words(self) -> str:
        """As `in_words` puts it, with a mark on a deferred error."""
        text = in_words(self.key, self.asc, self.ascq)
        return f"{text}, deferred from an earlier command" if self.deferred else text


def decode(data: bytes) -> SenseFacts | None:
    """Sense data as facts; None when it is too short to hold a sense key (4 bytes) or is not sense data.

    Bytes beyond the length that the data claims for itself do not count: ASC and ASCQ are then 0.
    """
    if len(data) < 4:
        return None
    code = data[0] & 0x7F
    if code in (0x70, 0x71):
        return _fixed(data, code)
    return _descriptor(data, code) if code in (0x72, 0x73) else None


def _fixed(data: bytes, code: int) -> SenseFacts:
    """Fixed format, SPC-3 4.5.3."""
    data = data[: data[7] + 8] if len(data) > 7 else data
    held = data.ljust(18, b"\x00")
    key = held[2] & 0x0F
    information = int.from_bytes(held[3:7], "big") if held[0] & 0x80 and len(data) >= 7 else None
    return SenseFacts(
        code, key, held[12], held[13], code == 0x71, information, bool(held[2] & 0x20), _progress(key, held[15:18])
    )


def _descriptor(data: bytes, code: int) -> SenseFacts:
    """Descriptor format, SPC-3 4.5.2; walks the descriptors it needs: information, key specific, block commands."""
    key = data[1] & 0x0F
    end = min(len(data), data[7] + 8) if len(data) > 7 else 0
    information, ili, progress, at = None, False, None, 8
    while at + 2 <= end:
        kind, body = data[at], data[at + 2 : min(end, at + 2 + data[at + 1])]
        if kind == 0x00 and len(body) >= 10 and body[0] & 0x80:
            information = int.from_bytes(body[2:10], "big")
        elif kind == 0x02 and len(body) >= 5:
            progress = _progress(key, body[2:5])
        elif kind == 0x05 and len(body) >= 2:
            ili = bool(body[1] & 0x20)
        at += 2 + data[at + 1]
    return SenseFacts(code, key, data[2], data[3], code == 0x73, information, ili, progress)


def _progress(key: int, specific: bytes) -> float | None:
    """Progress indication of keys NO SENSE and NOT READY, in 65536ths (SPC-3 4.5.2.4.4)."""
    if key not in (0, 2) or not specific[0] & 0x80:
        return None
    return int.from_bytes(specific[1:3], "big") / 65536


def in_words(key: int, asc: int, ascq: int) -> str:
    """``NOT READY: MEDIUM NOT PRESENT (2/3A/00)``."""
    return f"{sense_keys.name(key)}: {asc_codes.meaning(asc, ascq)} ({key:X}/{asc:02X}/{ascq:02X})"


ANY = -1

_ADVICE: dict[tuple[int, int, int], str] = {
    (0x0, 0x00, 0x00): "The device gave no reason. If the command failed, treat it as failed and try it once more.",
    (0x0, 0x00, 0x1D): "Read the ATA registers from the sense data: they are the result of the ATA command.",
    (0x0, ANY, ANY): "Nothing is wrong; the additional code tells what is going on.",
    (0x1, 0x5D, ANY): "The device expects to fail: save the data and replace the stick.",
    (0x1, ANY, ANY): "The data is good, the device had to work for it. If it happens often, save the data.",
    (0x2, 0x04, 0x01): "Wait and poll with TEST UNIT READY; allow 5 to 30 seconds before giving up.",
    (0x2, 0x04, 0x02): "Send START STOP UNIT with START set, then poll with TEST UNIT READY.",
    (0x2, 0x04, 0x03): "The device asks for a person: look at the stick, put it in again.",
    (0x2, 0x04, ANY): "Wait and poll with TEST UNIT READY; the additional code names the operation under way, if any.",
    (0x2, 0x3A, ANY): "There is no medium in this logical unit: try the other units, and poll for a medium.",
    (0x2, ANY, ANY): "Poll with TEST UNIT READY until the unit is ready.",
    (0x3, 0x11, ANY): "The block cannot be read: retry a few times, read around it, save what is left.",
    (0x3, 0x0C, ANY): "The block cannot be written: the medium wears out; save the data and replace the stick.",
    (0x3, 0x03, ANY): "The medium cannot be written: save the data and replace the stick.",
    (0x3, 0x31, ANY): "The medium has no sound low-level format: the stick is likely worn out or damaged.",
    (0x3, ANY, ANY): "Retry a few times, then treat the block as lost.",
    (0x4, 0x08, ANY): "The bridge lost touch with the drive behind it: check its power, reset the device.",
    (0x4, ANY, ANY): "Reset the device and retry once; if it comes back, the device is faulty.",
    (0x5, 0x20, ANY): "The device does not know this command: do without it or use an older form.",
    (0x5, 0x21, ANY): "The address lies beyond the end: compare with READ CAPACITY, whose answer is the last address.",
    (0x5, 0x24, ANY): "A field of the command block is not accepted: use the plain form, with no optional bits.",
    (0x5, 0x25, ANY): "There is no such logical unit: use the units that Get Max LUN or REPORT LUNS tells of.",
    (0x5, 0x26, ANY): "A field of the parameter data is not accepted: send what MODE SENSE reports as changeable.",
    (0x5, 0x1A, ANY): "The parameter list has the wrong length: make it fit the pages in it.",
    (0x5, 0x39, ANY): "The device cannot save parameters: do not ask for saved values.",
    (0x5, 0x53, ANY): "The medium is locked in: send PREVENT ALLOW MEDIUM REMOVAL with PREVENT zero first.",
    (0x5, ANY, ANY): "The request will fail again as it is: change it or do without; do not retry.",
    (0x6, 0x28, ANY): "The medium may be another one: drop what was cached, read capacity and volume anew, then retry.",
    (0x6, 0x29, ANY): "The device was reset or powered on: set it up again if needed, then retry the command.",
    (0x6, 0x2A, ANY): "Parameters or reservations changed: read them again, then retry.",
    (0x6, 0x3A, ANY): "The medium is gone: drop what was cached and poll for a medium.",
    (0x6, 0x3F, ANY): "Something about the target changed, such as its logical units: read it again, then retry.",
    (0x6, ANY, ANY): "This is news, not a failure: note it and retry the command.",
    (0x7, 0x27, ANY): "The medium is write protected: look for a switch; without one, it went read-only for good.",
    (0x7, ANY, ANY): "The access is not allowed: do not retry.",
    (0x8, ANY, ANY): "Blank medium where data was expected, or the other way round: do not retry.",
    (0x9, ANY, ANY): "Only the vendor's documents tell what this means.",
    (0xB, 0x47, ANY): "Data was damaged on the way: check cable and hub, then retry.",
    (0xB, 0x4B, ANY): "The data phase went wrong: check the length asked for, then retry.",
    (0xB, ANY, ANY): "Retry the command.",
    (0xE, ANY, ANY): "The data on the medium is not what was sent: write it again or save what is there.",
}


def advice(key: int, asc: int, ascq: int) -> str:
    """What a host should do next, in one sentence; "" where nothing useful can be said."""
    for wanted in ((key, asc, ascq), (key, asc, ANY), (key, ANY, ANY)):
        if wanted in _ADVICE:
            return _ADVICE[wanted]
    return ""
