"""What a log says of a device, where nothing of it was seen on the bus."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(slots=True, eq=False)
class Heard:
    """``path`` is bus and ports as the log's system counts them ("1-1.2"), ``strings`` are by the field of the device
    descriptor that points to them, ``transport`` is "BOT" or "UAS" by the driver that took it, ``host`` the SCSI host
    that stands for it (-1 for none), ``blocks`` the disk's name by LUN. ``kind`` is "storage", "hub", "other", or ""
    where nothing tells. ``taken``: that bus and SCSI names mean one device is taken for granted, no line says it.
    ``serves``: a controller's name, where the device is its root hub. ``itself``: the device's own side speaks.
    ``beside``: the same text shows the device's traffic, and the words only stand beside it."""

    path: str = ""
    ids: tuple[int, int] | None = None
    release: int = -1
    strings: dict[str, str] = field(default_factory=dict)
    transport: str = ""
    host: int = -1
    blocks: dict[int, str] = field(default_factory=dict)
    kind: str = ""
    taken: bool = False
    serves: str = ""
    driver: str = ""
    itself: bool = False
    beside: bool = False

    @property
    def called(self) -> str:
        """What to call a device that told nothing of itself."""
        if self.itself:
            return "the board that is the stick, by its own log"
        if self.serves:
            return f"host controller {self.serves}"
        if self.path:
            return f"{'hub' if self.kind == 'hub' else 'device'} on port {self.path}"
        if self.blocks:
            return f"disk {next(iter(self.blocks.values()))}"
        return f"disk of SCSI host {self.host}" if self.host >= 0 else "device"
