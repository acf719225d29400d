"""Answers as people type them, in plain words or hex, read into values by the name of the field."""

from __future__ import annotations

import re
import struct

from sticktrace.codes import asc, sense_keys
from sticktrace.quiz.questions import CLEAR, GO_ON, REQUEST_SENSE, RESET_RECOVERY, Kind
from sticktrace.storage.sense import decode

_STATUS = {0: ("passed", "pass", "ok", "good"), 1: ("failed", "fail"), 2: ("phase error", "phase")}
_STEPS = {
    REQUEST_SENSE: ("request sense", "fetch the sense", "03"),
    RESET_RECOVERY: ("reset recovery", "class reset", "bulk-only mass storage reset", "21 ff"),
    CLEAR: ("clear the halt", "clear halt", "clear feature"),
    GO_ON: ("next command", "go on", "nothing"),
}
HELP = {
    Kind.STATUS: "13 bytes in hex; or passed, failed, phase error, or 00, 01, 02; with 'residue N' if you like",
    Kind.NEXT: "request sense, reset recovery, clear the halt, or next command",
    Kind.SENSE: "key/ASC/ASCQ as in 5/24/00; or the key or the code in the words of the standard; or sense data in hex",
}
"""What an answer to each kind of question may look like."""

_NUMBER = r"(?:0x([0-9a-f]{1,8})|([0-9a-f]{1,8})h|([0-9]{1,10}))"
_BYTE = "(?:0x)?([0-9a-f]{1,2})h?"
_BYTES = re.compile(r"(?:0x)?[0-9a-f]{2}(?:[\s,:]*(?:0x)?[0-9a-f]{2})*")


def read(kind: Kind, text: str) -> dict[str, int]:
    """Field -> value, of what was answered; empty where the text cannot be read as an answer to this kind."""
    plain = " ".join(text.lower().split())
    return {Kind.STATUS: _status, Kind.NEXT: _next, Kind.SENSE: _sense}[kind](plain)


def _status(text: str) -> dict[str, int]:
    data = _bytes(text)
    if len(data) == 13:
        return dict(zip(("dCSWSignature", "dCSWTag", "dCSWDataResidue", "bCSWStatus"), struct.unpack("<IIIB", data),
                        strict=True))  # fmt: skip
    match = re.fullmatch(rf"(.*?),?(?: ?residue:?=? ?{_NUMBER})?", text)
    if match is None:
        return {}
    word = match[1].removeprefix("status ").strip()
    code = next((code for code, words in _STATUS.items() if word in words), None)
    if code is None and (number := re.fullmatch(r"(?:0x)?0?([0-9a-f]{1,2})h?", word)):
        code = int(number[1], 16)
    if code is None:
        return {}
    found = {"bCSWStatus": code}
    if any(match.group(at) for at in (2, 3, 4)):
        digits, base = (match[4], 10) if match[4] else (match[2] or match[3], 16)
        found["dCSWDataResidue"] = int(digits, base)
    return found


def _next(text: str) -> dict[str, int]:
    plain = text.replace("_", " ")
    step = next((step for step, words in _STEPS.items() if any(plain.startswith(word) for word in words)), None)
    return {} if step is None else {"next step": step}


def _sense(text: str) -> dict[str, int]:
    three = re.fullmatch("[/ ,:]+".join([_BYTE] * 3), text)
    names = ("SENSE KEY", "ADDITIONAL SENSE CODE", "ADDITIONAL SENSE CODE QUALIFIER")
    if three:
        return dict(zip(names, (int(part, 16) for part in three.groups()), strict=True))
    facts = decode(data) if len(data := _bytes(text)) >= 8 else None
    if facts is not None:
        return dict(zip(names, (facts.key, facts.asc, facts.ascq), strict=True))
    key = sense_keys.from_words(text)
    if key is not None:
        return {names[0]: key}
    codes = asc.from_words(text)
    return {} if codes is None else dict(zip(names[1:], codes, strict=True))


def _bytes(text: str) -> bytes:
    return bytes.fromhex(re.sub(r"0x|[\s,:]", "", text)) if _BYTES.fullmatch(text) else b""
