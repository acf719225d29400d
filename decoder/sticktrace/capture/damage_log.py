"""A list of damage that stays short, however broken the capture: the first places in full, then a count."""

from __future__ import annotations

from sticktrace.capture.reader import Damage

MOST = 20
"""Places named one by one."""


class DamageLog(list[Damage]):
    """Used where a `list[Damage]` is wanted; `report` adds to it and keeps it within `MOST` + 1 entries."""

    def __init__(self) -> None:
        super().__init__()
        self.more = 0

    def report(self, where: str, what: str) -> None:
        """Add a place. Beyond `MOST` only the last entry grows: the latest place and how many there were."""
        if len(self) < MOST:
            self.append(Damage(where, what))
            return
        self.more += 1
        entry = Damage(where, what if self.more == 1 else f"{what} ({self.more} places like this since the one above)")
        if self.more == 1:
            self.append(entry)
        else:
            self[-1] = entry
