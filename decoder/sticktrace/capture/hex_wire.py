"""Blocks of hex text become transfers: by their direction, or by the wrappers that they hold."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Protocol

from sticktrace.capture.hex_blocks import CBW_SIZE, CSW_SIZE, SETUP_SIZE, Block
from sticktrace.capture.hex_lines import CBW_SIGNATURE, CSW_SIGNATURE
from sticktrace.capture.hex_status import NAKED
from sticktrace.capture.transfer import BULK, CONTROL, GAP, Transfer

NO_DIRECTION = "blocks of bytes that no direction or wrapper explains"
_CBW = struct.Struct("<4sIIBBB").unpack_from
_GIVEN_UP = -110
"""The status of a transfer that was answered with NAK until the host went on to something else."""


class Owner(Protocol):
    """The reader that counts records."""

    records: int

    def skip(self, reason: str) -> None:
        """Count a record that belongs to no transfer."""

    def warn(self, what: str) -> None:
        """Name damage on the line at hand."""


class Wire:
    """What was on the bus as far as the text tells. ``open`` holds (direction, bytes expected, tag) of the command
    whose CSW has not been seen yet; it explains blocks that have no direction of their own. ``data_expected`` is
    whether a command moved data by its length and residue, ``data_printed`` whether any was shown, be it none.

    NAK ends no transfer (USB 2.0 8.4.5): a host that prints each one is asking again. What was answered so is held back
    and becomes one transfer with the answer that comes in the end; it was given up on when the host goes on to another
    command or request.
    """

    def __init__(self, owner: Owner) -> None:
        self.owner = owner
        self.payload = bytearray()
        self.assumed: list[str] = []
        self.open: tuple[str, int, bytes] | None = None
        self.convincing = False
        self.data_printed = False
        self.data_expected = False
        self._control: Transfer | None = None
        self._control_naked = False
        self._naked: dict[tuple[int, int, int], Transfer] = {}
        self._proven: set[str] = set()

    def assume(self, sentence: str) -> None:
        """Notes once what the text does not say."""
        if sentence not in self.assumed:
            self.assumed.append(sentence)

    def block(self, block: Block) -> Iterator[Transfer]:
        """The transfers of one block."""
        data = bytes(block.data)
        if block.label == "setup" and len(data) >= SETUP_SIZE and plausible_setup(data):
            yield from self._setup(data[:SETUP_SIZE], block)
        elif block.label in ("cbw", "csw") and not block.direction and _kind(data) == block.label:
            block.direction = "out" if block.label == "cbw" else "in"
            yield from self._one(data, block)
        elif block.direction:
            self.convincing = self.convincing or len(data) >= 8
            yield from self._one(data, block)
        else:
            yield from self._split(data, block)

    def known(self, kind: str, data: bytes, time_ns: int) -> Iterator[Transfer]:
        """A wrapper or setup packet put together from its fields."""
        yield from self.block(Block(time_ns, label=kind, data=bytearray(data)))

    def empty(self, block: Block) -> Iterator[Transfer]:
        """A line that says that a transfer moved nothing, or how it failed."""
        yield from self._one(b"", block)

    def flush(self) -> Iterator[Transfer]:
        """The control request that still waits for its data. Without a data stage nothing more is printed of it, and
        it counts as done; otherwise its end was not seen."""
        control, self._control = self._control, None
        if control is not None:
            if self._control_naked:
                control.status = _GIVEN_UP
            elif control.requested == 0:
                control.status, control.completed_ns = 0, control.submitted_ns
                self.assume("control requests without a data stage are taken as done")
            yield control

    def gap(self, count: int, time_ns: int) -> Iterator[Transfer]:
        """So many transfers are missing here. What was open before may have ended among them."""
        yield from self.end(gap=True)
        self.open = None
        yield Transfer(
            0, 0, 0, GAP, requested=count, status=0, submitted_ns=time_ns, completed_ns=time_ns,
            records=(self._number(),),
        )  # fmt: skip

    def end(self, gap: bool = False) -> Iterator[Transfer]:
        """The text ends, or has a gap. Who asked several times may be asking still; who asked once printed a result."""
        yield from self.flush()
        for transfer in self._naked.values():
            if gap or len(transfer.records) > 1:
                transfer.waited_ns = -1 if gap else transfer.completed_ns - transfer.submitted_ns
                transfer.status, transfer.completed_ns = None, -1
            yield transfer
        self._naked.clear()

    def _setup(self, setup: bytes, block: Block) -> Iterator[Transfer]:
        yield from self.flush()
        yield from self._give_up(block)
        self.convincing, self._control_naked = True, False
        self._control = Transfer(
            block.bus, block.address or 0, setup[0] & 0x80, CONTROL, setup=setup,
            submitted_ns=_began(block), requested=int.from_bytes(setup[6:8], "little"),
            records=(self._number(),),
        )  # fmt: skip

    def _one(self, data: bytes, block: Block) -> Iterator[Transfer]:
        """One block, one transfer."""
        if self._control is not None and self._answers(data, block):
            if block.status == NAKED:
                self._control.records += (self._number(),)
                self._control_naked, self._control.completed_ns = True, block.time_ns
                return
            control, self._control = self._control, None
            self._fill(control, data, block)
            yield control
            return
        yield from self.flush()
        kind = _kind(data)
        transfer = self._transfer(block)
        self._fill(transfer, data, block)
        before = self._naked.get((transfer.bus, transfer.address, transfer.endpoint))
        if before is not None and (not data or self._printed(before) in (b"", data)):
            del self._naked[transfer.bus, transfer.address, transfer.endpoint]
            transfer.submitted_ns, transfer.records = before.submitted_ns, before.records + transfer.records
        if kind == "cbw":
            yield from self._give_up(block)
        if block.status != NAKED:
            self._follow(kind, data, block)
        self.convincing = self.convincing or bool(kind)
        if block.status == NAKED:
            self._naked[transfer.bus, transfer.address, transfer.endpoint] = transfer
        else:
            yield transfer

    def _transfer(self, block: Block) -> Transfer:
        if block.endpoint is None:
            self.assume("endpoint numbers are not printed: 01h stands for bulk OUT, 81h for bulk IN")
        number = (1 if block.endpoint is None else block.endpoint) & 0x0F | (0x80 if block.direction == "in" else 0)
        kind = BULK if number & 0x0F else CONTROL
        return Transfer(block.bus, block.address or 0, number, kind, submitted_ns=_began(block))

    def _follow(self, kind: str, data: bytes, block: Block) -> None:
        """Keeps in mind which command is open and whether data phases are printed."""
        if kind == "cbw":
            _, tag, length, flags, _, _ = _CBW(data)
            if not block.status:  # else the device never had it
                self.open = ("in" if flags & 0x80 else "out", length, struct.pack("<I", tag))
        elif kind == "csw":
            residue = int.from_bytes(data[8:12], "little")
            self.data_expected = self.data_expected or (self.open is not None and self.open[1] > residue)
            self.open = None
        elif data or self.open is not None:
            self.data_printed = True

    def _printed(self, transfer: Transfer) -> bytes:
        return bytes(self.payload[transfer.data_at : transfer.data_at + transfer.captured])

    def _give_up(self, block: Block) -> Iterator[Transfer]:
        """The host goes on to something else on this device."""
        device = (block.bus, block.address or 0)
        for key in [key for key in self._naked if key[:2] == device]:
            yield self._naked.pop(key)

    def _answers(self, data: bytes, block: Block) -> bool:
        """Whether a block is the data or status stage of the waiting control request."""
        control = self._control
        if control is None or (block.endpoint is not None and block.endpoint & 0x0F):
            return False
        same_way = (block.direction == "in") == control.incoming
        if not data:
            # A status stage is an empty transfer against the data stage; a failure may be printed either way.
            return True
        return same_way and len(data) <= control.requested and not (_kind(data) and block.endpoint is None)

    def _fill(self, transfer: Transfer, data: bytes, block: Block) -> None:
        at = len(self.payload)
        self.payload += data
        transfer.data_at, transfer.captured = at, len(data)
        ended_badly = block.status or (block.unknown and not data)
        printed = len(data) if ended_badly else max(len(data), block.length or 0)
        if block.asked is not None:
            printed = block.length or 0
        elif block.status and not transfer.incoming:
            printed = 0  # what is printed was submitted; how much of it went out, nobody says
        transfer.actual = printed
        if transfer.requested < 0:
            transfer.requested = max(len(data), block.length or 0, block.asked or 0)
        if block.kept is not None and block.kept > len(data):
            self.owner.warn(f"{block.kept - len(data)} of the {block.kept} bytes that were kept are missing")
        transfer.status = self._status(transfer, data, block)
        transfer.completed_ns = block.time_ns
        transfer.records += (self._number(),)

    def _status(self, transfer: Transfer, data: bytes, block: Block) -> int | None:
        """How a transfer ended. A word that is not known is success once it came with what only success brings: a
        whole CSW, or the data of a control request."""
        said = block.unknown
        if not said or block.status is not None:
            if said:
                self.owner.warn(f'"{said}" is not known here: it is taken as a failure')
            return _GIVEN_UP if block.status == NAKED else block.status or 0
        if transfer.incoming and data and (transfer.kind == CONTROL or _kind(data) == "csw"):
            self._proven.add(said)
        if said not in self._proven:
            self.owner.warn(f'"{said}" is not known here: whether the transfer succeeded is not known')
            return None
        self.assume(f'"{said}" is taken as success: it came with the data of a control request, or with a CSW')
        return 0

    def _split(self, data: bytes, block: Block) -> Iterator[Transfer]:
        """A block without a direction: wrappers by signature and length, data by the command that is open."""
        at = 0
        while at < len(data):
            kind = _kind(data[at : at + CBW_SIZE]) or _kind(data[at : at + CSW_SIZE])
            if kind:
                size = CBW_SIZE if kind == "cbw" else CSW_SIZE
                way = "out" if kind == "cbw" else "in"
            elif self.open is not None:
                way = self.open[0]
                size = self._data_size(data, at)
            else:
                self.owner.skip(NO_DIRECTION)
                return
            part = Block(block.time_ns, way, endpoint=block.endpoint, address=block.address, status=block.status)
            part.bus, part.took_ns, part.unknown = block.bus, block.took_ns, block.unknown
            if size == len(data):
                part.length = block.length
            yield from self._one(data[at : at + size], part)
            at += size

    def _data_size(self, data: bytes, at: int) -> int:
        """How much from ``at`` on belongs to the open command: up to its CSW, if that is here too."""
        _, expected, tag = self.open or ("", 0, b"")
        for mark in (CSW_SIGNATURE + tag, CBW_SIGNATURE):
            if expected and data.startswith(mark, at + expected):
                return expected
        place = data.find(CSW_SIGNATURE + tag, at + 1)
        return (place if place > 0 else len(data)) - at

    def _number(self) -> int:
        self.owner.records += 1
        return self.owner.records


def _began(block: Block) -> int:
    """When the transfer began, as far as the text goes back."""
    return max(0, block.time_ns - block.took_ns)


def _kind(data: bytes) -> str:
    """"cbw" or "csw" for a whole wrapper, else ""."""
    if len(data) == CBW_SIZE and data.startswith(CBW_SIGNATURE):
        return "cbw"
    return "csw" if len(data) == CSW_SIZE and data.startswith(CSW_SIGNATURE) else ""


def plausible_setup(data: bytes) -> bool:
    """Whether 8 bytes can be a setup packet: no reserved type or recipient (USB 2.0, Table 9-2)."""
    return data[0] & 0x60 != 0x60 and data[0] & 0x1F <= 3
