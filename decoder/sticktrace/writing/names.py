"""Names from a volume as names of files: hostile input made harmless on any common system."""

from __future__ import annotations

import unicodedata

_FORBIDDEN = set('/\\:*?"<>|')
_DIGITS = "0123456789¹²³"
_PORTS = {f"{name}{number}" for name in ("COM", "LPT") for number in _DIGITS}
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$", "CLOCK$", *_PORTS}
"""Names that mean a device on some systems, whatever extension follows (common practice; the superscript digits too,
since some of these systems read them as digits)."""
_LONGEST = 200
"""Bytes of a file name that are kept; common file systems allow 255, and endings may be added."""
_LONGEST_EXTENSION = 20


def harmless(name: str) -> str:
    """A name that is safe as one component of a path on any common system."""
    kept = unicodedata.normalize("NFC", name)
    kept = "".join(c if c not in _FORBIDDEN and c.isprintable() else "_" for c in kept)
    kept = _cut(kept.lstrip(" ").rstrip(". "))
    if kept.split(".")[0].rstrip(" ").upper() in _DEVICES:
        kept = f"_{kept}"
    return kept or "_"


def _cut(name: str) -> str:
    """A name of bearable length that keeps its extension and does not end in what some systems drop."""
    if len(name.encode()) <= _LONGEST:
        return name
    stem, dot, extension = name.rpartition(".")
    short = bool(dot and stem) and len(extension.encode()) <= _LONGEST_EXTENSION
    tail = f".{extension}" if short else ""
    head = (stem if short else name).encode()[: _LONGEST - len(tail.encode())].decode("utf-8", "ignore")
    return head.rstrip(". ") + tail


def taken_for(name: str) -> str:
    """What systems that look at neither case nor composition take a name for: equal for names that they confuse."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
