"""Wrappers, setup packets and sense that a console prints field by field, or byte by byte with an index.

A field is a name and a number with any marks between: ``dCBWTag = 0x5``, ``tag: 5``, ``"tag": 5``. The names are those
of the standards, with or without type prefixes, and others in use; they stand in ``wordings/20_fields.toml``. Fields
may come in any order, with other lines between them. What is put together from them is said by `hex_build`.
"""

from __future__ import annotations

import re

from sticktrace.capture import hex_build
from sticktrace.capture.hex_build import CB_SIZE, CBW, CSW, SENSE, SETUP, Printed
from sticktrace.capture.wording import FieldNames
from sticktrace.capture.wording_forms import number

_SIGNATURES = {0x43425355: CBW, 0x53425355: CSW}
_FIELD = re.compile(
    r"(?<![A-Za-z0-9])((?:[A-Za-z]\w{0,40}(?:[ .]|->)){0,4}[A-Za-z]\w{0,40})"
    r"[\"'\])]?\s{0,12}([:=>(]{1,3}|->|\s)\s{0,24}[\[(\"']?"
    r"(0[xX][0-9A-Fa-f]{1,8}|[0-9A-Fa-f]{1,8})([hH]?)(?![0-9A-Za-z.])"
)
_PREFIX = re.compile(
    r"^(?:bm|[dbw])?(cbw|csw)(?=.)|^(?:bm|[dbw])(?=flags|signature|tag|datalen|request|value|index|len)"
)
_INDEXED = re.compile(
    r"(?<![A-Za-z0-9])(cbwcb|cdb|cb|cbw|csw)\s?[\[(_.\- ]\s?(?:0x)?([0-9A-Fa-f]{1,2})\s?[\])]?\s?[:=]{1,2}\s?"
    r"(?:0x)?([0-9A-Fa-f]{1,2})h?(?![0-9A-Za-z])", re.I,
)  # fmt: skip
PATIENCE = 6
"""Lines without a field after which nothing more is waited for."""


class FieldCollector:
    """Takes lines; what has come together waits in ``ready``. ``kind`` is what is being collected, "" for nothing."""

    def __init__(self, names: FieldNames) -> None:
        self.kind = ""
        self.ready: list[Printed] = []
        self.incomplete = 0
        self._known = names
        self._values: dict[str, int] = {}
        self._block: bytearray | None = None
        self._raw: dict[int, int] = {}
        self._idle = 0

    def begin(self, kind: str) -> None:
        """A heading such as "CBW:" announces fields, and ends what was being collected before."""
        self.end()
        self.kind = kind

    def fields(self, text: str, whole: str = "", named: str = "") -> bool:
        """Takes in the fields of a line. ``whole`` is what `spelt_out` said of it, ``named`` the wrapper that it names,
        if it does. Returns whether it had any."""
        if self._indexed(text):
            return True
        taken = False
        for match in _FIELD.finditer(text):
            value = _value(match[3], match[4])
            kind, name = self._place(match[1], value, whole or named or self.kind)
            if not name or (kind != self.kind and name == "status" and match[2].isspace() and not whole):
                continue  # "CSW status 1" alone is a remark, "csw.status: 1" a field
            if kind != self.kind or (name in self._values and name in ("signature", "bmRequestType", "tag", "key")):
                self.begin(kind)
            self._values[name] = value
            taken = True
            self._idle = 0
        if taken and self._complete():
            self.end()
        return taken

    def take(self, kind: str, values: dict[str, int]) -> None:
        """Fields that a pattern of the table read."""
        if kind != self.kind or "signature" in values or self._values.keys() & values.keys():
            self.begin(kind)
        self._values |= values
        self._idle = 0

    def spelt_out(self, text: str, label: str) -> str:
        """Which wrapper a line holds the fields of, as a structure printed on one line does; "" for none. ``label`` is
        the name that stands on the line, if any; the signature tells too."""
        found: dict[str, int] = {}
        for word, value in self._pairs(text):
            for kind in (CBW, CSW):
                name = self._field(word, kind)[1]
                if name:
                    found.setdefault(name, value)
        kind = label if label in (CBW, CSW) else _SIGNATURES.get(found.get("signature", 0), "")
        needed = {"tag", "length", "flags"} if kind == CBW else {"tag", "residue", "status"}
        return kind if kind and needed <= found.keys() else ""

    def speaks(self, text: str) -> bool:
        """Whether a line names a wrapper and a field of it, whatever else its numbers look like."""
        if "cbw" not in (lower := text.lower()) and "csw" not in lower:
            return False
        return bool(_INDEXED.search(text)) or any(all(self._field(m[1], "")) for m in _FIELD.finditer(text))

    def wants_block(self, size: int = 0) -> bool:
        """Whether bytes that stand alone on a line belong to the command block: its heading was printed, or they are
        just as many as bCBWCBLength says."""
        return self.kind == CBW and (self._block is not None or 0 < size == self._values.get("cblength"))

    @property
    def collecting(self) -> bool:
        """Whether any field has been taken in."""
        return bool(self._values or self._raw) or self._block is not None

    def block(self, data: bytes) -> None:
        """Bytes of the command block, or b"" for its heading."""
        self._block = (self._block or bytearray()) + data
        self._idle = 0
        if len(self._block) >= CB_SIZE:
            self.end()

    def idle(self) -> None:
        """A line that says nothing here. After too many of them what there is has to do."""
        if self.kind:
            self._idle += 1
            if self._idle > PATIENCE:
                self.end()

    def end(self) -> None:
        """Ends the collection; what it gives is ready, if that is enough. Too little is counted."""
        kind, values, block, raw = self.kind, self._values, bytes(self._block or b""), self._raw
        found = self.collecting
        self.kind, self._values, self._block, self._raw, self._idle = "", {}, None, {}, 0
        made = _made(kind, values, block, raw)
        if made is not None:
            self.ready.append(made)
        elif found:
            self.incomplete += 1

    # -- reading ---------------------------------------------------------------------------------------------------

    @staticmethod
    def _pairs(text: str) -> list[tuple[str, int]]:
        return [(m[1], _value(m[3], m[4])) for m in _FIELD.finditer(text)]

    def _field(self, words: str, kind: str) -> tuple[str, str]:
        """The wrapper that the prefix of a field's name tells ("" for none), and the field ("" for no known one). Of
        several words in front of a number the last ones are the name."""
        parts = re.findall(r"[A-Za-z]\w*", words)
        told = ""
        for first in range(len(parts)):
            name = "".join(parts[first:]).lower().replace("_", "")
            prefix = _PREFIX.match(name)
            told = told or (prefix[1] or "" if prefix else "")
            field = self._known.get(told or kind, {}).get(name[prefix.end() :] if prefix else name, "")
            if not field and name in (CBW, CSW, "cb"):
                told = told or name
            if field:
                return told, field
        return told, ""

    def _place(self, words: str, value: int, default: str) -> tuple[str, str]:
        """Which of them a name belongs to (``default`` if it does not say), and its field; ("", "") for a name that
        means nothing here."""
        if self._field(words, CBW)[1] == "signature":
            return (_SIGNATURES[value], "signature") if value in _SIGNATURES else ("", "")
        lower = words.lower().replace("_", "").replace(" ", "")
        if lower.endswith(("bmrequesttype", "requesttype", "rqtype")):
            return SETUP, "bmRequestType"
        sense = self._field(words, SENSE)[1]
        if sense in ("asc", "ascq") or (sense == "key" and "sense" in lower):
            return SENSE, sense
        told, field = self._field(words, default)
        if told in (CBW, CSW):
            return told, field
        return (default, field) if field and default else ("", "")

    def _indexed(self, text: str) -> bool:
        """Bytes printed with their index: of a command block, or of a wrapper."""
        taken = False
        for name, index, byte in _INDEXED.findall(text):
            name, at = name.lower(), int(index, 16 if re.search("[a-f]", index, re.I) else 10)
            kind = name if name in (CBW, CSW) else CBW
            raw = name in (CBW, CSW)
            if kind != self.kind or (at == 0 and (0 in self._raw if raw else bool(self._block))):
                self.begin(kind)
            if raw:
                self._raw[at] = int(byte, 16)
            else:
                self._block = self._block or bytearray()
                if at != len(self._block):
                    continue
                self._block.append(int(byte, 16))
            taken, self._idle = True, 0
        if taken and self._complete():
            self.end()
        return taken

    def _complete(self) -> bool:
        """Whether nothing more can come."""
        if self.kind == CSW:
            return {"tag", "residue", "status"} <= self._values.keys() or len(self._raw) == 13
        if self.kind == SETUP:
            return hex_build.whole_setup(self._values)
        if self.kind == SENSE:
            return {"key", "asc", "ascq"} <= self._values.keys()
        return len(self._raw) == 31 or len(self._block or b"") >= CB_SIZE


def _made(kind: str, values: dict[str, int], block: bytes, raw: dict[int, int]) -> Printed | None:
    """What these fields give; None where they are too few to tell what it was."""
    if raw:
        size = 31 if kind == CBW else 13
        data = bytes(raw.get(at, 0) for at in range(next(at for at in range(size + 1) if at not in raw)))
        return Printed(kind, data[:size], size) if len(data) >= 12 else None
    if kind == CBW and (block or {"tag", "length", "flags"} <= values.keys()):
        return hex_build.cbw(values, block[:CB_SIZE])
    if kind == CSW and ("status" in values or {"tag", "residue"} <= values.keys()):
        return hex_build.csw(values, -1)
    if kind == SETUP and hex_build.whole_setup(values):
        return hex_build.setup(values)
    if kind == SENSE and "asc" in values:
        return hex_build.sense(values)
    return None


def _value(text: str, suffix: str) -> int:
    """A printed number: hex with 0x or h, with a letter in it, or padded with zeros; decimal otherwise."""
    if suffix or text[:2] in ("0x", "0X"):
        return number(f"0x{text.lower().removeprefix('0x')}")
    if not text.isdecimal() or (len(text) > 1 and text[0] == "0"):
        return int(text, 16)
    return int(text)
