"""One line of hex text taken apart: time, direction, label, length, endpoint, status, offset, bytes.

The forms are those that people paste (docs/hex-text.md); no line is required to follow any one firmware. What a line
is worth as data is said by `Line.worth`; whether it is used is decided in `hex_text`, which knows the lines around it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

from sticktrace.capture.hex_runs import BYTES, TOKEN, find_bytes
from sticktrace.capture.hex_status import is_outcome, said_in, without_numbers
from sticktrace.capture.hex_times import take_time

LONGEST_LINE = 1 << 20
"""Characters of a line that are looked at; a whole transfer may stand on one."""

_WORDS_LIMIT = 300
"""Words are looked for near the ends of what surrounds the bytes."""

_ADDRESS_DIGITS = 5
"""Digits from which on a number with 0x in front of bytes is an address in memory; no transfer is that long."""

DIRECTED, SIGNED, PLAIN, LOOSE = "directed", "signed", "plain", "loose"
"""Worth of a line's bytes: they have a direction; begin with a wrapper's signature; stand alone on the line; or follow
some unknown words and a colon."""

CBW_SIGNATURE, CSW_SIGNATURE = b"USBC", b"USBS"


@dataclass(slots=True)
class Line:
    """``direction`` is "out", "in" or "". ``label`` is "cbw", "csw", "cb", "setup", "data" or "". ``time_ns`` is the
    printed time, ``clock`` whether it is a time of day, ``took_ns`` how long before it the transfer began.

    ``length`` is a stated number of bytes, ``asked`` how many there could have been, ``kept`` how many of them are on
    the line. ``status`` is an errno for a word or number about the end, ``unknown`` quotes one that is not known.
    ``text`` is the line without time and tags, ``lead`` what stands before the bytes and their offset; ``bare`` says
    that no words do, ``colon`` that the lead ends like a heading, ``garbled`` that the bytes break off where the
    serial line lost or changed a character."""

    text: str = ""
    time_ns: int | None = None
    took_ns: int = 0
    clock: bool = False
    direction: str = ""
    label: str = ""
    length: int | None = None
    asked: int | None = None
    kept: int | None = None
    endpoint: int | None = None
    address: int | None = None
    bus: int = 0
    status: int | None = None
    unknown: str = ""
    offset: int | None = None
    data: bytes = b""
    worth: str = ""
    bare: bool = False
    colon: bool = False
    garbled: bool = False
    lead: str = ""


_COLOUR = re.compile(r"\x1b\[[0-9;]*[A-Za-z]")
_TO_DEVICE = re.compile(r"\b(?:host|h)\s*(?:->|=>|→|to|2)\s*(?:device|dev|d|target|stick)\b", re.I)
_TO_HOST = re.compile(r"\b(?:device|dev|d|target|stick)\s*(?:->|=>|→|to|2)\s*(?:host|h)\b", re.I)
_OUT = {"out", "tx", "send", "sent", "sending", "write", "wr", "w", "bulkout"}
_IN = {"in", "rx", "recv", "receive", "received", "read", "rd", "r", "bulkin"}
_LABELS = {
    "cbw": "cbw", "csw": "csw", "setup": "setup", "data": "data", "cb": "cb", "cdb": "cb", "cbwcb": "cb",
}  # fmt: skip
_FILLERS = {"bulk", "byte", "bytes", "b", "ep", "len", "length", "size", "control", "ctrl", "usb", "hex", "dump"}
_HEX_NUMBER = re.compile(r"\b(?:0[xX])?[0-9A-Fa-f]*\d[0-9A-Fa-f]*\b")
_UNDERSTOOD = _OUT | _IN | _LABELS.keys()
_FOUR = re.compile(rf"(?<![0-9A-Za-z_]){BYTES}(?:[ ,]+{BYTES}){{3}}")
_WORD = re.compile(r"[A-Za-z]+")
_ARROW = re.compile(r"(->|=>|→|>+)|(<-|<=|←|<+)")
_DECLARATION = re.compile(r"(?:[A-Za-z_][\w ]*[ *])?([A-Za-z_]\w*)\s*\[\s*(\d*)\s*\]\s*=\s*\{?\s*$")
_ENDPOINT = re.compile(r"\bep(?:num|addr|address)?\s*[:=#]?\s*(?:0x)?([0-9A-Fa-f]{1,2})\b", re.I)
_PIPE_AND_LENGTH = re.compile(r"\W{0,3}([08][0-9A-Fa-f])\s?\[(\d{1,7})\]\s?[:=](?=\s|$)")
_ADDRESS = re.compile(r"(?:\bbus (\d{1,3}) )?\b(?:addr|address|dev|device)\s*[:=#]?\s*(\d{1,3})\b", re.I)
_LENGTH = re.compile(
    r"\b(\d{1,9})\s*(?:bytes?|B)\b|\blen(?:gth)?\s*[:=]?\s*(\d{1,9})\b|[(\[]\s*(\d{1,9})\s*[)\]]", re.I | re.ASCII
)
# What may follow the bytes: closing marks, a count, a comment, dots for bytes left out.
_TAIL = re.compile(
    r"[ \t,;}\"'/*|)\]]*(?:[(\[]?\s*(\d{1,9})\s*(?:bytes?|B)\b.*|//.*|/\*.*|\.{2,}.*)?$", re.I | re.ASCII
)
_LAST_NUMBER = re.compile(r"(?<![\w.-])(0x)?([0-9A-Fa-f]{1,16})\s*[:=|>]?\s*$")
_AMOUNTS = re.compile(
    r"[ \t]*(\d{1,9})(?: ?/ ?(\d{1,9}))?(?: kept (\d{1,9}))?(?![\w/.])(?=\s*:|\s+\w*[G-Zg-z_])", re.ASCII
)
_LOG = re.compile(r"\s*(IN|OUT)\s+([A-Za-z_]*(?: -?\d+)?) *:((?: [0-9A-Fa-f]{2}(?= |$))*+) ?(.*)", re.ASCII)
_PAIR = re.compile(r"(?<![^ ])[0-9A-Fa-f]{2}(?= |$)", re.ASCII)
_FRAGMENT = re.compile(r"(?!0[xX]|[A-Za-z]{3,}(?: |$))(?:\w|[^\x00-\x7f])[^\s:=]{0,4}(?= |$)", re.ASCII)
_OF_A_TRANSFER = re.compile(r"\b(?:IN|OUT|TX|RX)\b|(?i:bulk|ctrl|control|pipe|urb|xfer|transfer)")
_SETUP_AND_STAGE = re.compile(r"(.*\bSETUP\b[:= ]+(?:[0-9A-Fa-f]{2} ){8})[ ]*((?:IN|OUT)\b.*)")


def read_line(text: str) -> Line:
    """Take one line apart. Never raises; a line that holds nothing of use has neither data nor direction nor label."""
    line = Line()
    rest = _COLOUR.sub("", text[:LONGEST_LINE])
    line.time_ns, line.took_ns, line.clock, rest = take_time(rest.rstrip())
    line.text = rest
    words = _take_places(line, rest)
    if _take_log(line, words):
        return line
    stated = line.length
    masked = without_numbers(words, line.length) if line.endpoint is not None else words
    run = find_bytes(masked)
    if run.start >= 0:
        prefix = _ends(masked[: run.start]).rstrip(" \t\"'{([")
        suffix = "" if run.column else masked[run.end : run.end + _WORDS_LIMIT]
        tokens = [m[1].zfill(2) for m in TOKEN.finditer(masked[run.start : run.end])]
        plain = _take_words(line, prefix)
        _take_numbers(line, prefix, tokens)
        if _judge(line, plain, run.agrees, suffix, tokens):
            _take_status(line, f"{_ends(words[: run.start])} {words[run.end : run.end + len(suffix)]}")
            return line
        # What looked like bytes were words or numbers.
        line.data, line.offset, line.length = b"", None, stated
    _take_words(line, _ends(masked))
    _take_numbers(line, _ends(masked), [])
    _take_status(line, _ends(words))
    return line


def read_lines(text: str) -> Iterator[Line]:
    """The lines that stand on one: a control transfer is a setup packet and, behind it, its data stage."""
    both = _SETUP_AND_STAGE.match(text[:LONGEST_LINE]) if "SETUP" in text else None
    if both is None:
        yield read_line(text)
        return
    setup, stage = read_line(both[1]), read_line(both[2])
    stage.time_ns, stage.took_ns, stage.clock = setup.time_ns, setup.took_ns, setup.clock
    stage.bus, stage.address = setup.bus, setup.address
    yield setup
    yield stage


def _take_log(line: Line, words: str) -> bool:
    """Takes a line of the transfer log (docs/hook) to the letter: direction, end, colon, bytes up to the line's end. A
    serial line loses characters; ``garbled`` says that a broken byte stands among the others."""
    match = _LOG.match(words)
    if match is None or line.endpoint is None or line.length is None:
        return False
    way, end, hexed, tail = match.groups()
    if tail:
        data = _in_all(hexed + tail, line.length if line.kept is None else line.kept)
        line.garbled = not data and _is_broken(hexed, tail, line.length)
        if not (data or line.garbled):
            return False
    data = data if tail and not line.garbled else bytes.fromhex(hexed)
    line.direction, line.data, line.worth = way.lower(), data, DIRECTED if data else ""
    line.lead, line.colon = f"{way} {end}", True
    _take_status(line, line.lead)
    return True


def _in_all(text: str, count: int) -> bytes:
    """So many bytes, however they are grouped; b"" where it is another number, or not bytes."""
    digits = text.replace(" ", "")
    try:
        return bytes.fromhex(digits) if len(digits) == 2 * count else b""
    except ValueError:
        return b""


def _is_broken(hexed: str, tail: str, length: int) -> bool:
    """Whether a row of bytes goes on behind something short that is none. Most of what stands here has to be bytes."""
    before, words = len(hexed) // 3, tail.split(" ")
    mostly = before + len(_PAIR.findall(tail)) > len(words) // 2
    return before < length and mostly and _FRAGMENT.match(tail) is not None and not is_outcome(words[0])


def _ends(text: str) -> str:
    half = _WORDS_LIMIT // 2
    return text if len(text) <= _WORDS_LIMIT else f"{text[:half]} {text[-half:]}"


def _take_places(line: Line, text: str) -> str:
    """Takes endpoint and address out of the words in front of the bytes, so that they are not taken for bytes."""
    pipe = _PIPE_AND_LENGTH.match(text)
    if pipe is not None:  # "82[13]:" is endpoint and length
        line.endpoint, line.length = int(pipe[1], 16), int(pipe[2])
        line.direction = "in" if line.endpoint & 0x80 else "out"
        text = f"{' IN:' if line.endpoint & 0x80 else 'OUT:'}{' ' * (pipe.end() - 4)}{text[pipe.end() :]}"
    front = _FOUR.search(text)
    limit = min(front.start() if front else len(text), _WORDS_LIMIT)
    for pattern in (_ENDPOINT, _ADDRESS):
        match = pattern.search(text, 0, limit)
        if match is None:
            continue
        if pattern is _ENDPOINT:
            line.endpoint = int(match[1], 16)
            text = _take_amounts(line, text, match.end())
        elif int(match[2]) < 128:
            line.bus, line.address = int(match[1] or 0), int(match[2])
        text = text[: match.start()] + " " * len(match[0]) + text[match.end() :]
    return text


def _take_amounts(line: Line, text: str, at: int) -> str:
    """How much a transfer moved, of how much, and how much of it is printed: "36", "24/192", "512 kept 64"."""
    match = _AMOUNTS.match(text, at)
    if match is None:
        return text
    line.length = int(match[1])
    line.asked = int(match[2]) if match[2] else None
    line.kept = int(match[3]) if match[3] else None
    return text[: match.start()] + " " * len(match[0]) + text[match.end() :]


def _join(tokens: list[str]) -> bytes:
    return bytes.fromhex("".join(tokens))


def _take_words(line: Line, prefix: str) -> bool:
    """Direction and label from the words in front of the bytes. Returns whether all words were understood."""
    declaration = _DECLARATION.search(prefix)
    words = _WORD.findall(_HEX_NUMBER.sub(" ", prefix))
    known = [word for word in words if word.lower() not in _FILLERS]
    line.label = next((_LABELS[word.lower()] for word in words if word.lower() in _LABELS), "")
    if _TO_HOST.search(prefix):
        line.direction = "in"
    elif _TO_DEVICE.search(prefix):
        line.direction = "out"
    else:
        line.direction = _direction(known, prefix)
    line.lead = prefix.strip()
    line.bare = not words and not line.direction
    line.colon = prefix.rstrip(" {").endswith((":", "=", ">"))
    return declaration is not None or all(word.lower() in _UNDERSTOOD or is_outcome(word) for word in known)


def _direction(words: list[str], prefix: str) -> str:
    """A direction word counts in capitals, or as the first or last word; an arrow counts where there is no word."""
    words = [word for word in words if word.lower() not in _LABELS]
    while words and is_outcome(words[-1]):
        words.pop()
    for place, word in enumerate(words):
        if word.lower() in _OUT | _IN and (word.isupper() or place in (0, len(words) - 1)):
            return "out" if word.lower() in _OUT else "in"
    bare = prefix.strip().rstrip(":").strip()
    match = _ARROW.match(bare) or _ARROW.search(bare, max(0, len(bare) - 2))
    if match is None:
        return ""
    return "out" if match[1] else "in"


def _take_status(line: Line, words: str) -> None:
    """How the transfer ended, if the line says so. Words that other lines may hold too count only where something else
    tells that this one is about a transfer; the status of a CSW is the command's, not the transfer's."""
    if not (line.direction or line.label):
        return
    said = said_in(words, line.length)
    if said.general and (
        line.label in ("cbw", "csw", "cb") or not line.direction
        or not (line.endpoint is not None or line.data or _OF_A_TRANSFER.search(words))
    ):  # fmt: skip
        return
    line.status, line.unknown = said.status, said.unknown


def _take_numbers(line: Line, prefix: str, tokens: list[str]) -> None:
    """Tells lengths from offsets. A number in front of the bytes is a length where the line has a direction or a
    label, an offset otherwise, or when it is padded with zeros to four digits or more, or an address in memory."""
    if line.length is not None:
        pass
    elif match := _LENGTH.search(prefix):
        line.length = int(match[1] or match[2] or match[3])
    elif match := _LAST_NUMBER.search(prefix) or _LAST_NUMBER.search(prefix.partition(":")[0]):
        number = match[2]
        padded = len(number) >= 4 and (number.startswith("0") or not (line.direction or line.label))
        place = padded or (match[1] is not None and len(number) >= _ADDRESS_DIGITS)
        if (line.direction or line.label) and not place and (match[1] or number.isdecimal()):
            line.length = int(number[:9], 16 if match[1] else 10)
        elif tokens and len(number) >= 2:
            line.offset = int(number, 16)
            line.lead = prefix[: match.start()].strip()
    if line.offset is None and len(tokens) > 1:
        first, rest = tokens[0], tokens[1:]
        # "OUT 31 55 53 42 43 ...": two digits are a length only in front of a wrapper; "IN 03 00 00 00" is data.
        counts = first.isdecimal() and int(first[:9]) == len(rest)
        if (line.direction or line.label) and counts and (len(first) > 2 or rest[:3] == ["55", "53", "42"]):
            line.length = int(tokens.pop(0))
        elif len(first) >= 4 and all(len(token) == 2 for token in rest):
            line.offset = int(tokens.pop(0)[:16], 16)
    line.data = _join(tokens)


def _judge(line: Line, plain: bool, agrees: bool, suffix: str, tokens: list[str]) -> bool:
    """Decides what the bytes are worth. False where they are more likely words or numbers: "IN 20 ms", "OUT 31". Where
    a text column ``agrees`` with the bytes, unknown words in front are no reason to doubt them."""
    data = line.data
    if not data:
        return False
    if not line.direction and line.endpoint is not None and line.endpoint & 0x80:
        line.direction = "in"
    tail = _TAIL.match(suffix)
    if tail and tail[1] and line.length is None:
        line.length = int(tail[1])
    ended = tail is not None or suffix.startswith(("  ", "\t")) or said_in(suffix).status is not None
    if line.length == len(data):
        line.worth = DIRECTED if line.direction else PLAIN if plain else LOOSE
    elif line.direction and ended and (len(data) > 1 or line.colon or not tokens[0].isdecimal()):
        line.worth = DIRECTED
    elif data[:4] in (CBW_SIGNATURE, CSW_SIGNATURE) and len(data) >= 13:
        line.worth = SIGNED
    elif agrees and not line.direction:
        line.worth = PLAIN
    elif line.direction or (len(tokens[0]) > 2 and all(token.isalpha() for token in tokens)):
        return False
    elif plain and (tail or (ended and line.offset is not None)) and (line.bare or line.label or len(data) >= 4):
        line.worth = PLAIN
    elif (line.colon or line.offset is not None) and tail and all(len(token) == 2 for token in tokens):
        line.worth = LOOSE
    return bool(line.worth)
