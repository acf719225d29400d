"""A device's traffic as steps: repeats and neighbouring reads folded, so that two recordings can be laid side by side.

One step is one thing that the host did: a control request, a command with its sense fetched, a run of READs over
neighbouring blocks. How many commands it took, how long each was and how it ended stay with the step.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from sticktrace.bus.events import BusEvent, Happening
from sticktrace.bus.requests import Request
from sticktrace.codes import usb_requests as requests
from sticktrace.comparison.align import Key
from sticktrace.sticks.sticks import kind_of
from sticktrace.storage.commands import describe, lba_and_blocks
from sticktrace.storage.sense import in_words
from sticktrace.text import count_of
from sticktrace.transport.items import FAILED, MISSING, PASSED, UNTOLD, Exchange, Item

MOST_STEPS = 100_000
"""Steps that are kept of one device; a longer recording is compared up to there."""

GOOD, NEWS, TROUBLE, UNSEEN = "good", "news", "trouble", "not seen"
"""How a step ended: as wanted; with a unit attention or a device still becoming ready, which a host waits out; not as
wanted; or beyond what the capture shows."""

NO_STATUS = "no status"
"""The end of a command without a CSW."""

_EVENTS = {
    Happening.ATTACHED: "plugged in", Happening.RESET: "port reset", Happening.DETACHED: "unplugged",
    Happening.OVER_CURRENT: "over-current",
}  # fmt: skip
"""Bus events that are steps, in words; all belong to the stage "attach"."""
_REQUEST_STAGES = {
    requests.SET_ADDRESS: "address", requests.GET_DESCRIPTOR: "descriptors",
    requests.SET_CONFIGURATION: "configuration", requests.SET_INTERFACE: "configuration",
}  # fmt: skip
_COMMAND_STAGES = {
    0x12: "identity", 0xA0: "identity", 0x00: "ready", 0x03: "ready", 0x1B: "ready", 0x25: "capacity", 0x23: "capacity",
    0x9E: "capacity",
}  # fmt: skip
_REQUEST_SENSE = 0x03
_UNIT_ATTENTION, _NOT_READY, _ILLEGAL_REQUEST, _BECOMING = 6, 2, 5, 0x04


@dataclass(slots=True, eq=False)
class Step:
    """``kind`` is what is done in words without addresses or sizes, ``place`` what tells it from others of its kind
    (LUN, address, page), ``end`` how it ended, in words. ``said`` is a request in words, "" for a command, whose block
    is ``cdb``. ``count`` is how many commands it took, ``again`` how many of them repeated the one before. ``shade`` is
    one of GOOD, NEWS, TROUBLE, UNSEEN. ``asked`` is the largest length asked of one command or request. ``first`` and
    ``last`` are exchange numbers, 0 for a request; ``record`` is the first record. ``wait_ns`` is the time since the
    step before ended (-1 for the first), ``busy_ns`` the time inside its commands. ``refused``: a command
    that the device does not know or take (ILLEGAL REQUEST), and that moves no blocks: hosts do without it."""

    kind: str
    place: tuple[Hashable, ...]
    said: str
    stage: str
    end: str
    shade: str
    asked: int
    start_ns: int
    end_ns: int
    medium: str = ""
    count: int = 1
    first: int = 0
    last: int = 0
    record: int = 0
    wait_ns: int = -1
    busy_ns: int = 0
    blocks: int = 0
    cdb: bytes = b""
    again: int = 0
    refused: bool = False
    device_type: int | None = None

    @property
    def text(self) -> str:
        """The request, or the first command, in words."""
        return self.said or describe(self.cdb, self.device_type)

    @property
    def key(self) -> Key:
        """What alignment goes by. Two troubles are alike only when they befell the same request."""
        return self.kind, self.place, (self.end, self.place) if self.shade == TROUBLE else self.end

    @property
    def words(self) -> str:
        """In words: ``READ(10) LBA 2048, 1 block`` or ``READ LBA 2048 to 2079, 3 commands``."""
        if self.count == 1:
            return self.text
        if self.blocks:
            lba = self.place[-1]
            assert isinstance(lba, int)
            span = f"{lba} to {lba + self.blocks - 1}" if self.blocks > 1 else f"{lba}"
            return f"{self.kind} LBA {span}, {count_of(self.count, 'command')}"
        return f"{self.text}, {self.count:,} times"

    @property
    def where(self) -> str:
        """Where to find it: ``exchange 5``, ``exchanges 5-9``, ``record 31``."""
        if not self.first:
            return f"record {self.record}"
        return f"exchange {self.first}" if self.first == self.last else f"exchanges {self.first}-{self.last}"


class Folding:
    """Takes the items of one device in order and keeps ``steps``. ``skipped`` counts steps beyond the limit."""

    def __init__(self) -> None:
        self.steps: list[Step] = []
        self.skipped = 0
        self._next_lba: int | None = None
        self._last_lba: int | None = None
        self._fetched: set[int] = set()

    def see(self, item: Item) -> None:
        """Take in an item of the device."""
        step = self._step(item)
        if step is None:
            return
        last = self.steps[-1] if self.steps else None
        if last is not None and self._folds(last, step):
            self._fold(last, step)
        elif len(self.steps) >= MOST_STEPS:
            self.skipped += 1
        else:
            step.wait_ns = max(0, step.start_ns - last.end_ns) if last is not None else -1
            self.steps.append(step)
        if step.medium:
            lba = step.place[-1]
            assert isinstance(lba, int)
            self._last_lba, self._next_lba = lba, lba + step.blocks

    def _folds(self, last: Step, step: Step) -> bool:
        if (last.kind, last.end, last.medium) != (step.kind, step.end, step.medium):
            return False
        if not step.medium:
            return last.place == step.place
        return last.place[:-1] == step.place[:-1] and step.place[-1] in (self._next_lba, self._last_lba)

    def _fold(self, last: Step, step: Step) -> None:
        last.count += 1
        last.last, last.end_ns = step.last, max(last.end_ns, step.end_ns)
        last.asked, last.busy_ns = max(last.asked, step.asked), last.busy_ns + step.busy_ns
        if step.medium and step.place[-1] == self._next_lba:
            last.blocks += step.blocks
        else:
            last.again += 1

    def _step(self, item: Item) -> Step | None:
        if item.__class__ is Exchange:
            return self._command(item)
        if isinstance(item, Request):
            return None if item.in_exchange else _request(item)
        if isinstance(item, BusEvent) and item.kind in _EVENTS:
            text = _EVENTS[item.kind]
            shade = TROUBLE if item.kind is Happening.OVER_CURRENT else GOOD
            return Step(text, (), text, "attach", "", shade, 0, item.time_ns, item.time_ns,
                        record=item.records[0] if item.records else 0)  # fmt: skip
        return None

    def _command(self, item: Exchange) -> Step | None:
        if item.sense is not None and item.sense.exchange:
            self._fetched.add(item.sense.exchange)
        if item.opcode == _REQUEST_SENSE and item.number in self._fetched:
            self._fetched.discard(item.number)
            return None
        kind, medium = kind_of(item)
        lba, blocks = lba_and_blocks(item.cdb) if medium else (None, None)
        end, shade = _ending(item)
        step = Step(
            kind, (item.lun,), "", _COMMAND_STAGES.get(item.opcode, ""), end, shade,
            max(0, item.expected), item.time_ns, item.end_ns, first=item.number, last=item.number,
            record=item.records[0] if item.records else 0, busy_ns=item.duration_ns, cdb=item.cdb,
            device_type=item.device_type,
        )  # fmt: skip
        step.refused = item.sense is not None and item.sense.key == _ILLEGAL_REQUEST and not medium
        if lba is None or blocks is None:
            step.place = (item.lun, _page(item.cdb))
        else:
            step.kind, step.place = kind.partition("(")[0].strip(), (item.lun, lba)
            step.medium, step.blocks = medium, blocks
            step.stage = "files" if lba else "partition"
        return step


def _page(cdb: bytes) -> Hashable:
    """The page that INQUIRY and MODE SENSE ask for; other commands of one name are alike."""
    if cdb[:1] == b"\x12":
        return cdb[1:3]
    return cdb[2:3] if cdb[:1] in (b"\x1a", b"\x5a") else b""


def _ending(item: Exchange) -> tuple[str, str]:
    """How a command ended, in words, and its shade."""
    if item.status == PASSED:
        return "passed", GOOD
    if item.status == FAILED:
        if item.sense is None:
            return "failed, sense not read", TROUBLE
        key, asc, ascq = item.sense[:3]
        news = key == _UNIT_ATTENTION or (key == _NOT_READY and asc == _BECOMING)
        return f"failed, {in_words(key, asc, ascq)}", NEWS if news else TROUBLE
    if item.status == MISSING:
        return NO_STATUS, TROUBLE
    if item.status == UNTOLD:
        return "status not printed", GOOD
    return item.status, TROUBLE


def _request(item: Request) -> Step:
    stage = _REQUEST_STAGES.get(item.request, "transport") if item.request_type & 0x60 == 0 else "transport"
    text = f"{item.name} {item.words}".strip()
    shade = {"done": GOOD, "not seen": UNSEEN}.get(item.result, TROUBLE)
    place = (item.value >> 8 if item.request == requests.GET_DESCRIPTOR else item.value, item.index & 0xFF)
    if item.request == requests.SET_ADDRESS:
        text, place = item.name, (0, 0)
    if item.request == requests.GET_DESCRIPTOR:
        text, place = text.partition(",")[0], (item.value, 0)
    return Step(item.name, place, text, stage, item.result, shade, max(0, item.requested), item.time_ns, item.end_ns,
                record=item.records[0] if item.records else 0, busy_ns=max(0, item.end_ns - item.time_ns))  # fmt: skip
