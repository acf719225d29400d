"""Sense keys: names and what each asks of the host (SPC-3 4.5.6 Table 27; key Fh SPC-4)."""

from __future__ import annotations

NAMES: dict[int, str] = {
    0x0: "NO SENSE",
    0x1: "RECOVERED ERROR",
    0x2: "NOT READY",
    0x3: "MEDIUM ERROR",
    0x4: "HARDWARE ERROR",
    0x5: "ILLEGAL REQUEST",
    0x6: "UNIT ATTENTION",
    0x7: "DATA PROTECT",
    0x8: "BLANK CHECK",
    0x9: "VENDOR SPECIFIC",
    0xA: "COPY ABORTED",
    0xB: "ABORTED COMMAND",
    0xC: "obsolete sense key Ch",
    0xD: "VOLUME OVERFLOW",
    0xE: "MISCOMPARE",
    0xF: "COMPLETED",
}

MEANINGS: dict[int, str] = {
    0x0: "nothing specific to report",
    0x1: "the command succeeded, after the device had to recover from an error",
    0x2: "the logical unit cannot be reached now",
    0x3: "the medium, or the data recorded on it, is at fault",
    0x4: "the device failed in a way that it cannot recover from",
    0x5: "the command or its parameters are not acceptable to the device",
    0x6: "something changed since the last command: a reset, another medium, other settings",
    0x7: "the medium is protected against this access",
    0x8: "blank or non-blank medium where the other was expected",
    0x9: "a condition defined by the vendor",
    0xA: "a copy command was aborted",
    0xB: "the device gave up the command; repeating it may succeed",
    0xD: "data is left in the buffer at the end of the partition",
    0xE: "the data does not match what is on the medium",
    0xF: "the command completed; the sense data holds information",
}


def name(key: int) -> str:
    """The name of a sense key, in the standard's spelling."""
    return NAMES.get(key, f"sense key {key:X}h")


_OTHER_WORDS = {"mediaerror": 0x3, "writeprotect": 0x7, "vendorunique": 0x9, "softerror": 0x1, "illegal": 0x5}
"""What some systems print instead of the standard's name (common practice)."""


def from_words(words: str) -> int | None:
    """The sense key of a name in any case, or None."""
    plain = "".join(c for c in words.casefold() if c.isalpha())
    for key, known in NAMES.items():
        if plain == "".join(c for c in known.casefold() if c.isalpha()):
            return key
    return _OTHER_WORDS.get(plain)
