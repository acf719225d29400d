"""The reader's own marks and notes, kept beside the capture as CAPTURE.marks.json, and only when asked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sticktrace import SticktraceError, new_text

_LARGEST = 4 << 20
_LONGEST_NOTE = 500
_FORM = 2
"""Exchanges by their number in the list, from 1; what stands between them by its place, from 0."""


class Marks:
    """Marks by code of an item, each with a note that may be empty. ``unsaved`` tells whether saving would add
    anything. Raises SticktraceError from `load` and `save` when the file does not serve."""

    def __init__(self, capture: str) -> None:
        self.path = Path(capture + ".marks.json")
        self.notes: dict[int, str] = {}
        self.unsaved = False

    def sign(self, code: int) -> str:
        """One cell: whether an item is marked, and whether there is a note."""
        return " " if code not in self.notes else "✎" if self.notes[code] else "◆"

    def toggle(self, code: int) -> bool:
        """Mark an item, or take its mark and note away. Returns whether it is marked now."""
        self.unsaved = True
        if code in self.notes:
            del self.notes[code]
            return False
        self.notes[code] = ""
        return True

    def write(self, code: int, note: str) -> None:
        """Mark an item with a note."""
        self.notes[code] = _note(note)
        self.unsaved = True

    def save(self) -> Path:
        """Write all marks beside the capture. What lies there must be a file of marks, and no link."""
        exchanges = {str(code + 1): note for code, note in sorted(self.notes.items()) if code >= 0}
        between = {str(-1 - code): note for code, note in sorted(self.notes.items()) if code < 0}
        facts = {"marks": _FORM, "exchanges": exchanges, "between": between}
        self._kept()
        with new_text(self.path, overwrite=True) as out:
            json.dump(facts, out, indent=1, ensure_ascii=False)
            out.write("\n")
        self.unsaved = False
        return self.path

    def load(self) -> None:
        """Take the marks that lie beside the capture, if any. They may be more than the capture holds so far."""
        self.notes = self._kept()

    def _kept(self) -> dict[int, str]:
        """The marks that lie there."""
        try:
            if not self.path.is_file():
                return {}
            if self.path.stat().st_size > _LARGEST:
                raise ValueError("too large for a file of marks")
            facts = json.loads(self.path.read_text("utf-8"))
            if facts["marks"] != _FORM:
                raise ValueError(f"marks of form {facts['marks']}, not {_FORM}")
            return _codes(facts, "exchanges", 1, -1) | _codes(facts, "between", -1, -1)
        except (OSError, ValueError, TypeError, AttributeError, KeyError, RecursionError) as error:
            raise SticktraceError(f"{self.path}: is no file of marks ({error}); left alone") from error


def _codes(facts: Any, key: str, factor: int, shift: int) -> dict[int, str]:
    codes = {int(number): _note(note) for number, note in facts[key].items()}
    if codes and min(codes) < 0:
        raise ValueError(f"{key} {min(codes)}")
    return {factor * number + shift: note for number, note in codes.items()}


def _note(note: Any) -> str:
    """A note without what no text file can hold."""
    return str(note)[:_LONGEST_NOTE].encode("utf-8", "replace").decode("utf-8")
