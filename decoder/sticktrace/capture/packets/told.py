"""What the bus told of the devices at its addresses, as far as the packets' meaning hangs on it: kinds and packet sizes
of endpoints, from the descriptors that went by (USB 2.0 9.6.6), and the speed.

This is not the room that knows devices (`bus`); it reads seven bytes of each endpoint descriptor, no more.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, ISOCHRONOUS
from sticktrace.codes import pids

LOW, FULL, HIGH = "low", "full", "high"

_KINDS = (CONTROL, ISOCHRONOUS, BULK, INTERRUPT)
"""Transfer types in the order in which bmAttributes numbers them (Table 9-13)."""

LARGEST = {
    (LOW, CONTROL): 8, (LOW, INTERRUPT): 8, (LOW, BULK): 8,
    (FULL, CONTROL): 64, (FULL, BULK): 64, (FULL, INTERRUPT): 64,
    (HIGH, CONTROL): 64, (HIGH, BULK): 512, (HIGH, INTERRUPT): 1024,
}  # fmt: skip
"""The largest packet by speed and type (5.5.3, 5.7.3, 5.8.3). Low speed has no bulk; a device that says otherwise could
not send more than this all the same."""

SIZES = (8, 16, 32, 64, 512, 1024)
"""Sizes that a full packet can have: bulk 8 to 64 at full speed, 512 at high speed, and 1024 where it is neither."""


class Pace(NamedTuple):
    """How fast packets go: picoseconds for a bit, bits that a packet has around its bytes (SYNC and EOP, 7.1.10 and
    7.1.13; what bit stuffing adds is not known), nanoseconds of a
    frame, and bit times after which nobody listens for an answer any more (7.1.19.1, 7.1.19.2)."""

    bit_ps: int
    around: int
    frame_ns: int
    patience: int

    @property
    def patience_ns(self) -> int:
        """How long an answer is waited for at most."""
        return self.patience * self.bit_ps // 1000

    def time_ns(self, packets: int, size: int) -> int:
        """How long so many packets of so many bytes take."""
        return (8 * size + self.around * packets) * self.bit_ps // 1000


PACES = {
    LOW: Pace(666_667, 11, 1_000_000, 18), FULL: Pace(83_333, 11, 1_000_000, 18), HIGH: Pace(2_083, 40, 125_000, 816),
}  # fmt: skip
"""By speed (7.1.11, 8.4.3.1)."""

_INTERFACE, _ENDPOINT = 4, 5
_DEEPEST = 4096


def speed_by_pids(good: Any, before: str) -> str:
    """The speed that the PIDs of sound packets tell, "" for none: PING and SPLIT are packets of high speed (8.3.1), and
    PRE where no SPLIT is one of full speed; beside SPLIT, and so where the speed ``before`` was high, it may be ERR."""
    if (good == pids.PING).any() or (good == pids.SPLIT).any():
        return HIGH
    return FULL if before != HIGH and (good == pids.PRE).any() else ""


def beyond_full(acknowledged: Any) -> bool:
    """Whether data fields that were acknowledged, by their sizes, are too long for full speed: there only isochronous
    ones have more than 64 bytes (5.6.3, 5.8.3), and those are never acknowledged (5.6.4)."""
    return bool((acknowledged > LARGEST[FULL, BULK]).any())


class Endpoint(NamedTuple):
    """An endpoint as its descriptor tells: transfer type and largest packet."""

    kind: int
    size: int


class Endpoints:
    """The endpoints of one device. ``known`` has those in use, by address with bit 7 for IN."""

    def __init__(self) -> None:
        self.known: dict[int, Endpoint] = {}
        self._settings: dict[tuple[int, int], dict[int, Endpoint]] = {}

    def learn(self, descriptors: bytes) -> None:
        """Take in a configuration descriptor with what follows it (9.6.3). Alternate setting 0 is in use until another
        one is chosen."""
        at, setting, fresh = 0, (0, 0), True
        while at + 2 <= min(len(descriptors), _DEEPEST):
            length, kind = descriptors[at], descriptors[at + 1]
            if length < 2:
                return
            part = descriptors[at : at + length]
            if kind == _INTERFACE and len(part) >= 4:
                setting, fresh = (part[2], part[3]), True
            elif kind == _ENDPOINT and len(part) >= 6:
                self._endpoint(setting, part, fresh)
                fresh = False
            at += length

    def _endpoint(self, setting: tuple[int, int], part: bytes, fresh: bool) -> None:
        endpoint = Endpoint(_KINDS[part[3] & 3], int.from_bytes(part[4:6], "little") & 0x7FF)
        if fresh:
            self._settings[setting] = {}
        self._settings[setting][part[2]] = endpoint
        if setting[1] == 0:
            self.known[part[2]] = endpoint

    def choose(self, interface: int, alternate: int) -> list[int]:
        """SET_INTERFACE was done: endpoints of that setting are in use. Returns those concerned (9.4.10)."""
        concerned = {e for (number, _), some in self._settings.items() if number == interface for e in some}
        self.known.update(self._settings.get((interface, alternate), {}))
        return sorted(concerned)
