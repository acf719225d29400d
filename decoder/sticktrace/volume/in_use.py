"""Whether a volume is marked as in use, and who marked it.

A host that mounts a volume for writing marks it, and takes the mark away when it unmounts: in the boot sector (common
practice for FAT; exFAT 3.1.13.2, VolumeDirty) or in the second entry of the FAT, where a bit is 1 while the volume is
clean (FAT specification, "FAT Data Structure": ClnShutBitMask).
"""

from __future__ import annotations

from typing import NamedTuple

BOOT, TABLE = "boot sector", "second entry of the FAT"

_CLEAN_BIT = {16: 0x8000, 32: 0x08000000}
_MEDIA = 0xF0
"""The low byte of the first entry of a FAT is BPB_Media, F0h or F8h to FFh."""


class Mark(NamedTuple):
    """The mark as exchange ``exchange`` first showed it; ``written`` is whether that was a WRITE, so that this host set
    it."""

    exchange: int
    in_use: bool
    written: bool


class InUse:
    """The marks of one volume, place by place, at each change."""

    def __init__(self) -> None:
        self._of: dict[str, list[Mark]] = {}

    def see(self, place: str, number: int, in_use: bool, written: bool) -> None:
        """The mark stands so in exchange ``number``."""
        marks = self._of.setdefault(place, [])
        if not marks or marks[-1].in_use != in_use:
            marks.append(Mark(number, in_use, written))

    def see_table(self, kind: int, data: bytes, number: int, written: bool) -> None:
        """The first block of a FAT16 or FAT32 table, which holds the mark in its second entry."""
        bit = _CLEAN_BIT.get(kind)
        if bit is not None and data[0] >= _MEDIA:
            width = kind // 8
            entry = int.from_bytes(data[width : 2 * width], "little")
            self.see(TABLE, number, not entry & bit, written)

    @property
    def now(self) -> Mark | None:
        """The mark as it stands."""
        return self.at()

    def at(self, as_of: int | None = None) -> Mark | None:
        """The mark as it stood after an exchange, or stands at the end: the first that says "in use" where one does,
        else the last that was taken away, else the first seen; None where none was seen."""
        kept = [[mark for mark in marks if as_of is None or mark.exchange <= as_of] for marks in self._of.values()]
        last = sorted(marks[-1] for marks in kept if marks)
        changed = sorted(marks[-1] for marks in kept if len(marks) > 1)
        return next(iter([mark for mark in last if mark.in_use] or changed[-1:] or last), None)

    @property
    def at_start(self) -> Mark | None:
        """A mark "in use" that was there before this host wrote one; None where there was none or it is not shown."""
        first = [marks[0] for marks in self._of.values() if marks[0].in_use and not marks[0].written]
        return min(first, default=None)

    @property
    def left(self) -> Mark | None:
        """A mark "in use" that came up in the course of the capture and was not taken away; None where there is
        none."""
        last = [marks[-1] for marks in self._of.values() if len(marks) > 1 or marks[-1].written]
        return min((mark for mark in last if mark.in_use), default=None)
