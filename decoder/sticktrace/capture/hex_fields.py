"""Wrappers and setup packets that a firmware console prints field by field, put together again.

Recognised by the names of the standards (BOT 1.0 Tables 5.1 and 5.2, USB 2.0 Table 9-2), in any case, with or without
their type prefixes: ``dCBWTag``, ``Tag`` and ``tag`` are the same field.
"""

from __future__ import annotations

import re
import struct

CBW, CSW, SETUP = "cbw", "csw", "setup"

_SIGNATURES = {0x43425355: CBW, 0x53425355: CSW}
_FIELD = re.compile(r"\b([A-Za-z]\w*)\s*[:= ]\s*(0[xX][0-9A-Fa-f]+|[0-9A-Fa-f]+)(?![0-9A-Za-z])")
_PREFIX = re.compile(r"^(?:bm|[dbw])?(cbw|csw)(?=.)|^(?:bm|d)(?=flags|signature|tag|datalen)")
_NAMES = {
    "signature": "signature", "sig": "signature", "tag": "tag", "flags": "flags", "lun": "lun",
    "datatransferlength": "length", "transferlength": "length", "xferlength": "length", "xferlen": "length",
    "datalength": "length", "datalen": "length", "datlen": "length", "length": "length", "len": "length",
    "cblength": "cblength", "cblen": "cblength", "cdblength": "cblength", "cdblen": "cblength",
    "residue": "residue", "dataresidue": "residue", "status": "status",
}  # fmt: skip
_SETUP_NAMES = {
    "bmrequesttype": "bmRequestType", "requesttype": "bmRequestType", "brequest": "bRequest", "wvalue": "wValue",
    "windex": "wIndex", "wlength": "wLength",
}  # fmt: skip
_NEEDED = {CBW: {"tag", "length", "flags"}, CSW: {"tag", "residue", "status"}, SETUP: set(_SETUP_NAMES.values())}
_CB_SIZE = 16
PATIENCE = 6
"""Lines without a field after which a half-printed wrapper is given up."""


class FieldCollector:
    """Takes lines; `built` says what has become whole. ``kind`` is what is being collected, "" for nothing."""

    def __init__(self) -> None:
        self.kind = ""
        self.incomplete = 0
        self.padded = False
        self._values: dict[str, int] = {}
        self._block: bytearray | None = None
        self._idle = 0

    def begin(self, kind: str) -> tuple[str, bytes] | None:
        """A heading such as "CBW:" announces fields. Returns what was being collected before, if it is whole."""
        before = self.built()
        self.kind = kind
        return before

    def fields(self, text: str, whole: str = "") -> tuple[bool, tuple[str, bytes] | None]:
        """Takes in the fields of a line. ``whole`` is what `spelt_out` said of it. Returns whether it had any, and a
        wrapper that this line ended."""
        found = [(m[1], _value(m[2])) for m in _FIELD.finditer(text)]
        done: tuple[str, bytes] | None = None
        taken = False
        for word, value in found:
            kind, name = self._place(word, value, whole or self.kind)
            if not name:
                continue
            if kind != self.kind or (name in self._values and name in ("signature", "bmRequestType", "tag")):
                done = self.begin(kind) or done
            self._values[name] = value
            taken = True
            self._idle = 0
        if taken and self.kind in (CSW, SETUP) and _NEEDED[self.kind] <= self._values.keys():
            done = self.built() or done
        return taken, done

    def _place(self, word: str, value: int, default: str) -> tuple[str, str]:
        """Which wrapper a name belongs to (``default`` if it does not say), and its field; ("", "") for a name that
        means nothing here."""
        lower = word.lower()
        if lower in _SETUP_NAMES and (default == SETUP or "requesttype" in lower):
            return SETUP, _SETUP_NAMES[lower]
        prefix, name = _named(word)
        if name == "signature":
            return (_SIGNATURES[value], name) if value in _SIGNATURES else ("", "")
        kind = prefix or default
        if kind not in (CBW, CSW) or (kind == CSW and name in ("length", "cblength", "flags", "lun")):
            return "", ""
        return (kind, name) if name else ("", "")

    def spelt_out(self, text: str, label: str) -> str:
        """Which wrapper a line holds all fields of, as a structure printed on one line does; "" for none. ``label`` is
        the name that stands on the line, if any; the signature tells too."""
        found = {_named(m[1])[1]: _value(m[2]) for m in _FIELD.finditer(text)}
        kind = label if label in (CBW, CSW) else _SIGNATURES.get(found.get("signature", 0), "")
        return kind if kind and _NEEDED[kind] <= found.keys() else ""

    @property
    def wants_block(self) -> bool:
        """Whether bytes that stand alone on a line belong to the command block."""
        return self.kind == CBW and self._block is not None

    @property
    def collecting(self) -> bool:
        """Whether any field has been taken in."""
        return bool(self._values) or self._block is not None

    def block(self, data: bytes) -> tuple[str, bytes] | None:
        """Bytes of the command block, or b"" for its heading. Returns the wrapper once it is whole for certain."""
        self._block = (self._block or bytearray()) + data
        self._idle = 0
        return self.built() if len(self._block) >= _CB_SIZE else None

    def idle(self) -> None:
        """A line that says nothing here."""
        if self.kind:
            self._idle += 1
            if self._idle > PATIENCE:
                self.drop()

    def drop(self) -> None:
        """Gives up what is being collected."""
        self.incomplete += 1 if self.collecting else 0
        self.kind, self._values, self._block, self._idle = "", {}, None, 0

    def built(self) -> tuple[str, bytes] | None:
        """Ends the collection. (kind, bytes) if it is whole, else None; an incomplete one is counted."""
        kind, values = self.kind, self._values
        block = bytes(self._block or b"")[:_CB_SIZE]
        whole = bool(kind) and _NEEDED[kind] <= values.keys()
        length = values.get("cblength", len(block))
        if kind == CBW:
            whole = whole and bool(block) and len(block) >= min(length, _CB_SIZE)
        if not whole:
            self.drop()
            return None
        self.kind, self._values, self._block, self._idle = "", {}, None, 0
        get = values.get
        if kind == SETUP:
            names = ("bmRequestType", "bRequest", "wValue", "wIndex", "wLength")
            sizes = (0xFF, 0xFF, 0xFFFF, 0xFFFF, 0xFFFF)
            return kind, struct.pack("<BBHHH", *(get(n, 0) & size for n, size in zip(names, sizes, strict=True)))
        tag = get("tag", 0) & 0xFFFFFFFF
        if kind == CSW:
            return kind, struct.pack("<4sIIB", b"USBS", tag, get("residue", 0) & 0xFFFFFFFF, get("status", 0) & 0xFF)
        # Bytes of CBWCB beyond bCBWCBLength mean nothing (5.1); what was not printed is set to zero.
        self.padded = self.padded or len(block) < _CB_SIZE or "lun" not in values
        return kind, struct.pack(
            "<4sIIBBB16s", b"USBC", tag, get("length", 0) & 0xFFFFFFFF, get("flags", 0) & 0xFF, get("lun", 0) & 0xFF,
            length & 0xFF, block,
        )  # fmt: skip


def _named(word: str) -> tuple[str, str]:
    """The wrapper that the prefix of a field's name tells ("" for none), and the field ("" for no known one)."""
    lower = word.lower()
    match = _PREFIX.match(lower)
    return (match[1] or "" if match else ""), _NAMES.get(lower[match.end() :] if match else lower, "")


def _value(text: str) -> int:
    """A printed number: hex with 0x, with a letter in it, or padded with zeros; decimal otherwise."""
    text = text[:20]
    if text[:2] in ("0x", "0X"):
        return int(text[2:] or "0", 16)
    if not text.isdecimal() or (len(text) > 1 and text[0] == "0"):
        return int(text, 16)
    return int(text)
