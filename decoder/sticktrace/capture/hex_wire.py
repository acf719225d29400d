"""Blocks of hex text become transfers: by their direction, or by the wrappers that they hold."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from sticktrace.capture import hex_build
from sticktrace.capture.hex_blocks import CBW_SIZE, CSW_SIZE, SETUP_SIZE, Block
from sticktrace.capture.hex_build import CBW, CSW, SENSE, Printed
from sticktrace.capture.hex_control import Control
from sticktrace.capture.hex_dialogue import REQUEST_SENSE, Dialogue, SenseWait
from sticktrace.capture.hex_lines import CBW_SIGNATURE, CSW_SIGNATURE
from sticktrace.capture.hex_places import Places
from sticktrace.capture.hex_status import NAKED
from sticktrace.capture.payload import Deposit
from sticktrace.capture.transfer import CONTROL, GAP, Transfer

SAID_AGAIN = "lines that say once more what was printed"
NO_REQUEST = "ends of control requests whose beginning is not printed"
NO_DIRECTION = "blocks of bytes that no direction or wrapper explains"
_CBW_HEAD = 15
_GIVEN_UP = -110
"""The status of a transfer that was answered with NAK until the host went on to something else."""


class Owner(Protocol):
    """The reader that counts records."""

    records: int
    deposit: Deposit
    last_ns: int

    def skip(self, reason: str) -> None:
        """Count a record that belongs to no transfer."""

    def warn(self, what: str) -> None:
        """Name damage on the line at hand."""


class Wire:
    """What was on the bus as far as the text tells. ``dialogue`` knows the command whose CSW has not been seen yet; it
    explains blocks that have no direction of their own. ``data_expected`` is whether a command moved data by its length
    and residue, ``data_printed`` whether any was shown, be it none.

    NAK ends no transfer (USB 2.0 8.4.5): a host that prints each one is asking again. What was answered so is held back
    and becomes one transfer with the answer that comes in the end; it was given up on when the host goes on to another
    command or request.
    """

    def __init__(self, owner: Owner) -> None:
        self.owner = owner
        self.payload = owner.deposit
        self.assumed: list[str] = []
        self.dialogue = Dialogue()
        self._sense = SenseWait()
        self.convincing = False
        self.told_sense = self.wrapped = False
        self._made_up = False  # by wrappers of our own making nobody is convinced
        self.data_printed = False
        self.data_expected = False
        self.places = Places()
        self.control: Control | None = None
        self.ends_printed = False
        self._sense_printed = False
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
            yield from self.request(data[:SETUP_SIZE], block)
        elif block.label in ("cbw", "csw") and not block.direction and _kind(data, block.length) == block.label:
            block.direction = "out" if block.label == CBW else "in"
            yield from self._one(data, block)
        elif block.direction:
            self.convincing = self.convincing or (len(data) >= 8 and not self._made_up)
            yield from self._one(data, block)
        else:
            yield from self._split(data, block)

    def known(self, printed: Printed, time_ns: int) -> Iterator[Transfer]:
        """A wrapper, setup packet or sense put together from what was printed of it."""
        if printed.kind == SENSE:
            self._made_up = True
            yield from self._sense_told(printed, time_ns)
            self._made_up = False
            return
        if printed.kind == CSW:
            yield from self.start(time_ns)
            if self.dialogue.open is not None and "dCSWTag" in printed.not_printed:
                tag = self.dialogue.open.tag.to_bytes(4, "little")
                printed = printed._replace(data=printed.data[:4] + tag + printed.data[8:])
        yield from self.block(block_of(printed, time_ns))

    def start(self, time_ns: int) -> Iterator[Transfer]:
        """Something follows a command that was printed without its wrapper: that went out all the same."""
        dialogue = self.dialogue
        if dialogue.open is None and dialogue.named:
            yield from self.block(block_of(hex_build.cbw({}, dialogue.take_named()), time_ns))

    def _sense_told(self, printed: Printed, time_ns: int) -> Iterator[Transfer]:
        """Sense by its bytes or codes: what REQUEST SENSE brought. Over Bulk-Only Transport nothing else brings any, so
        where that command is not printed it is known to have been sent all the same."""
        at = len(self.payload)
        if self._sense.waits:
            self.payload += printed.data
            self._sense.fill(at, printed)
            yield from self._sense.release()
            self.owner.skip(SAID_AGAIN)
            return
        opened = self.dialogue.open
        if opened is None or opened.opcode != REQUEST_SENSE:
            if self._sense_printed:
                self.owner.skip(SAID_AGAIN)  # the bytes were shown, and are now read out
                return
            command = bytes([REQUEST_SENSE])
            self.told_sense = True
            yield from self.block(block_of(hex_build.cbw({"length": printed.size}, command), time_ns))
            self.assume("where only sense is printed, the REQUEST SENSE that fetched it is known by that alone")
        data = Block(time_ns, "in", length=printed.size, data=bytearray(printed.data))
        data.not_printed = printed.not_printed
        yield from self.block(data)
        if opened is None or opened.opcode != REQUEST_SENSE:
            yield from self.block(block_of(hex_build.csw({}, 0), time_ns))

    def empty(self, block: Block) -> Iterator[Transfer]:
        """A line that says that a transfer moved nothing, or how it failed."""
        yield from self._one(b"", block)

    def flush(self) -> Iterator[Transfer]:
        """The control request that still waits for its data. Without a data stage nothing more is printed of it, and
        it counts as done; otherwise its end was not seen."""
        control, self.control = self.control, None
        if control is None:
            return
        transfer = control.transfer
        if control.naked:
            transfer.status = _GIVEN_UP
        elif transfer.status is None and transfer.captured:
            transfer.status = 0
        elif transfer.status is None and transfer.requested == 0 and not (self.ends_printed or control.staged):
            transfer.status, transfer.completed_ns = 0, transfer.submitted_ns
            self.assume("control requests without a data stage are taken as done")
        yield self._over(control)

    def _over(self, control: Control) -> Transfer:
        """A control request is over: what it tells is learned."""
        transfer = control.transfer
        if transfer.status == 0:
            self.places.learn(transfer, self._printed(transfer))
        return transfer

    def gap(self, count: int, time_ns: int) -> Iterator[Transfer]:
        """So many transfers are missing here. What was open before may have ended among them."""
        yield from self.end(gap=True)
        self.dialogue.open = None
        yield Transfer(
            0, 0, 0, GAP, requested=count, status=0, submitted_ns=time_ns, completed_ns=time_ns,
            records=(self._number(),),
        )  # fmt: skip

    def end(self, gap: bool = False) -> Iterator[Transfer]:
        """The text ends, or has a gap. Who asked several times may be asking still; who asked once printed a result."""
        yield from self.flush()
        yield from self._sense.release()
        for transfer in self._naked.values():
            if gap or len(transfer.records) > 1:
                transfer.waited_ns = -1 if gap else transfer.completed_ns - transfer.submitted_ns
                transfer.status, transfer.completed_ns = None, -1
            yield transfer
        self._naked.clear()

    def request(self, setup: bytes, block: Block) -> Iterator[Transfer]:
        """A control request begins."""
        yield from self.flush()
        yield from self._sense.release()
        if block.address is None:
            block.bus, block.address = self.places.of_request(setup)
        yield from self._give_up(block)
        self.convincing = True
        self.control = Control(Transfer(
            block.bus, block.address, setup[0] & 0x80, CONTROL, setup=setup,
            submitted_ns=_began(block), requested=int.from_bytes(setup[6:8], "little"),
            records=(self._number(),),
        ))  # fmt: skip

    def control_data(self, block: Block) -> None:
        """Bytes of the data stage of the control request under way."""
        control = self.control
        if control is None:
            return
        transfer = control.transfer
        if block.address is not None and (block.bus, block.address) != (transfer.bus, transfer.address):
            transfer.bus, transfer.address = block.bus, block.address  # whom it was for is printed only here
        transfer.data_at, transfer.captured = len(self.payload), len(block.data)
        self.payload += block.data
        transfer.actual = max(transfer.actual, transfer.captured)
        transfer.completed_ns = block.time_ns
        transfer.records += (self._number(),)

    def stage(self, block: Block) -> Iterator[Transfer]:
        """A stage of a control request ended, as a line about endpoint 0 says."""
        control = self.control
        if control is None:
            self.owner.skip(NO_REQUEST)
            return
        transfer = control.transfer
        transfer.records += (self._number(),)
        if block.status == NAKED:
            control.naked, transfer.completed_ns = True, block.time_ns
            return
        control.naked = False
        if control.stage(block, self._status(transfer, b"", block)):
            self.control = None
            yield self._over(control)

    def left(self, block: Block) -> Iterator[Transfer]:
        """A transfer that was begun and of whose end nothing is printed: it counts as done where no end ever is."""
        if self.ends_printed:
            transfer = self._transfer(block)
            data = bytes(block.data)
            self._fill(transfer, data, block)
            transfer.status, transfer.completed_ns = None, -1
            yield transfer
        else:
            self.assume("how transfers ended is not printed: they are taken as done")
            yield from self._one(bytes(block.data), block)

    def _one(self, data: bytes, block: Block) -> Iterator[Transfer]:
        """One block, one transfer."""
        control = self.control
        if control is not None and self._answers(control, data, block):
            if block.status == NAKED:
                control.transfer.records += (self._number(),)
                control.naked, control.transfer.completed_ns = True, block.time_ns
                return
            self.control = None
            self._fill(control.transfer, data, block)
            yield self._over(control)
            return
        yield from self.flush()
        if self.dialogue.spelt and _kind(data, block.length) != "cbw":
            yield from self.start(block.time_ns)
        if data and block.length == CBW_SIZE > len(data) and _kind(data, block.length) == "cbw":
            block.not_printed = block.not_printed or ("CBWCB",)
        printed = None if data or block.status or block.unknown else self.dialogue.unprinted(block)
        if printed is not None:
            data, block.not_printed = printed.data, printed.not_printed
            self.assume("31 and 13 bytes of which none are printed are taken for CBW and CSW where one is due")
        kind = _kind(data, block.length)
        transfer = self._transfer(block)
        transfer.not_printed = block.not_printed
        self._fill(transfer, data, block)
        before = self._naked.get((transfer.bus, transfer.address, transfer.endpoint))
        if before is not None and (not data or self._printed(before) in (b"", data)):
            del self._naked[transfer.bus, transfer.address, transfer.endpoint]
            transfer.submitted_ns, transfer.records = before.submitted_ns, before.records + transfer.records
        if kind == "cbw":
            yield from self._sense.release()
            yield from self._give_up(block)
        opened = self.dialogue.open
        if block.status != NAKED:
            self._follow(kind, data, block)
        self.convincing = self.convincing or (bool(kind) and not self._made_up)
        self.wrapped = self.wrapped or (kind == "cbw" and not self._made_up and "dCBWTag" not in block.not_printed)
        if block.status == NAKED:
            self._naked[transfer.bus, transfer.address, transfer.endpoint] = transfer
        else:
            yield from self._sense.through(transfer, opened.opcode if opened is not None else -1)

    def _transfer(self, block: Block) -> Transfer:
        if block.endpoint is None:
            self.assume("endpoint numbers are not printed: 01h stands for bulk OUT, 81h for bulk IN")
        self.places.settle(block)
        number = (1 if block.endpoint is None else block.endpoint) & 0x0F | (0x80 if block.direction == "in" else 0)
        bus, address = block.bus, block.address or 0
        return Transfer(bus, address, number, self.places.kind(bus, address, number), submitted_ns=_began(block))

    def _follow(self, kind: str, data: bytes, block: Block) -> None:
        """Keeps in mind which command is open and whether data phases are printed."""
        opened = self.dialogue.open
        if kind == "cbw":
            if not block.status:  # else the device never had it
                self.dialogue.begin(data, block.not_printed)
        elif kind == "csw":
            residue = int.from_bytes(data[8:12], "little")
            short = opened is not None and opened.expected > residue and not opened.moved
            self.data_expected = self.data_expected or (short and "dCSWDataResidue" not in block.not_printed)
            self._sense_printed = opened is not None and opened.opcode == REQUEST_SENSE and bool(opened.moved)
            self.dialogue.open = None
        elif data or opened is not None:
            self.data_printed = True
            if opened is not None and not block.status:
                opened.moved += max(len(data), block.length or 0)

    def _printed(self, transfer: Transfer) -> bytes:
        return bytes(self.payload[transfer.data_at : transfer.data_at + transfer.captured])

    def _give_up(self, block: Block) -> Iterator[Transfer]:
        """The host goes on to something else on this device."""
        device = (block.bus, block.address or 0)
        for key in [key for key in self._naked if key[:2] == device]:
            yield self._naked.pop(key)

    @staticmethod
    def _answers(control: Control, data: bytes, block: Block) -> bool:
        """Whether a block is the data or status stage of the waiting control request."""
        if (block.endpoint is not None and block.endpoint & 0x0F) or control.staged:
            return False
        transfer = control.transfer
        same_way = (block.direction == "in") == transfer.incoming
        if not data:
            # A status stage is an empty transfer against the data stage; a failure may be printed either way.
            return True
        return same_way and len(data) <= transfer.requested and not (_kind(data) and block.endpoint is None)

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
        at, length = 0, block.length
        if length is not None and length > len(data) and _kind(data, length) == "cbw":
            block.direction = "out"  # its end is not printed
            yield from self._one(data, block)
            return
        while at < len(data):
            kind = _kind(data[at : at + CBW_SIZE]) or _kind(data[at : at + CSW_SIZE])
            if kind:
                size = CBW_SIZE if kind == "cbw" else CSW_SIZE
                way = "out" if kind == "cbw" else "in"
            elif self.dialogue.open is not None:
                way = self.dialogue.open.way
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
        opened = self.dialogue.open
        expected, tag = (opened.expected, opened.tag.to_bytes(4, "little")) if opened is not None else (0, b"")
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


def _kind(data: bytes, length: int | None = None) -> str:
    """ "cbw" or "csw" for a whole wrapper, or one of true length given whose head is there; else ""."""
    size = len(data)
    if data.startswith(CBW_SIGNATURE) and (size == CBW_SIZE or (length == CBW_SIZE and size >= _CBW_HEAD)):
        return "cbw"
    return "csw" if data.startswith(CSW_SIGNATURE) and size == CSW_SIZE else ""


def block_of(printed: Printed, time_ns: int) -> Block:
    """What was put together, as a block of the text."""
    return Block(
        time_ns, label=printed.kind, length=printed.size, data=bytearray(printed.data), not_printed=printed.not_printed
    )


def plausible_setup(data: bytes) -> bool:
    """Whether 8 bytes can be a setup packet: no reserved type or recipient (USB 2.0, Table 9-2)."""
    return data[0] & 0x60 != 0x60 and data[0] & 0x1F <= 3
