"""CBI: floppy drives. Sequences made by hand from USB MSC CBI 1.1 and UFI 1.0 (clauses from memory)."""

from __future__ import annotations

from sticktrace.capture.transfer import BULK, CONTROL, INTERRUPT, STALL, Transfer
from sticktrace.transport.items import Exchange, Stray
from sticktrace.transport.router import Router

# A floppy drive: configuration, interface 08/04/00, bulk IN 81h, bulk OUT 02h, interrupt IN 83h (USB 2.0 9.6.3-9.6.6).
CONFIGURATION = bytes.fromhex(
    "09 02 27 00 01 01 00 80 fa"  # configuration, 39 bytes, 1 interface, 500 mA
    "09 04 00 00 03 08 04 00 00"  # interface 0, 3 endpoints, mass storage, UFI, CBI with interrupt
    "07 05 81 02 40 00 00"  # bulk IN
    "07 05 02 02 40 00 00"  # bulk OUT
    "07 05 83 03 02 00 20"  # interrupt IN, 2 bytes
)
SENSE_NO_MEDIUM = bytes.fromhex("70 00 02 00 00 00 00 0a 00 00 00 00 3a 00 00 00 00 00")  # UFI 1.0 4.14


class Drive:
    """Feeds transfers to a router from one growing payload."""

    def __init__(self) -> None:
        self.payload = bytearray()
        self.router = Router(lambda at, size: bytes(self.payload[at : at + size]), lambda *_: [])
        self.records = 0
        self.control("80 06 00 02 00 00 27 00", CONFIGURATION)
        self.control("00 09 01 00 00 00 00 00")

    def transfer(self, endpoint: int, kind: int, data: bytes, setup: bytes = b"", status: int = 0) -> None:
        at = len(self.payload)
        self.payload += data
        self.records += 2
        self.router.feed(
            Transfer(
                1, 5, endpoint, kind, setup, len(data), len(data), at, len(data), status,
                self.records * 1000, self.records * 1000 + 500, (self.records - 1, self.records),
            )
        )  # fmt: skip

    def control(self, setup: str, data: bytes = b"", status: int = 0) -> None:
        self.transfer(0, CONTROL, data, bytes.fromhex(setup), status)

    def command(self, block: str, status: int = 0) -> None:
        """ADSC, CBI 1.1 2.1: class request 00h to the interface, 12 bytes of command block."""
        self.control("21 00 00 00 00 00 0c 00", bytes.fromhex(block).ljust(12, b"\0"), status)

    def exchanges(self) -> list[Exchange]:
        self.router.end()
        return [item for item in self.router.out.ready() if isinstance(item, Exchange)]


def test_a_failed_command_is_explained_by_the_request_sense_that_follows() -> None:
    drive = Drive()
    drive.command("00")  # TEST UNIT READY
    drive.transfer(0x83, INTERRUPT, b"\x3a\x00")  # UFI: ASC 3Ah, medium not present
    drive.command("03 00 00 00 12")  # REQUEST SENSE, 18 bytes
    drive.transfer(0x81, BULK, SENSE_NO_MEDIUM)
    drive.transfer(0x83, INTERRUPT, b"\x00\x00")
    test, ask = drive.exchanges()
    assert (test.command, test.status, test.direction) == ("TEST UNIT READY", "failed", "none")
    assert test.sense is not None
    assert (test.sense.key, test.sense.asc, test.sense.ascq, test.sense.exchange) == (2, 0x3A, 0, 2)
    assert (ask.command, ask.status, ask.moved, ask.transport) == ("REQUEST SENSE", "passed", 18, "CBI")


def test_a_read_takes_its_data_and_its_interrupt() -> None:
    drive = Drive()
    drive.command("28 00 00 00 00 13 00 00 02")  # READ(10) LBA 19, 2 blocks: UFI 1.0 4.12
    drive.transfer(0x81, BULK, bytes(512))
    drive.transfer(0x81, BULK, bytes(512))
    drive.transfer(0x83, INTERRUPT, b"\x00\x00")
    (read,) = drive.exchanges()
    assert (read.lba, read.blocks, read.moved, read.direction, read.status) == (19, 2, 1024, "in", "passed")
    assert len(read.records) == 8  # ADSC, two data transfers, interrupt, two halves each


def test_a_refused_command_block_is_a_failed_exchange() -> None:
    drive = Drive()
    drive.command("28 00 00 00 00 13 00 00 02", STALL)
    (read,) = drive.exchanges()
    assert (read.status, read.stalled) == ("failed", ("command",))


def test_a_command_without_an_interrupt_has_no_status() -> None:
    drive = Drive()
    drive.command("00")
    drive.command("00")
    drive.transfer(0x83, INTERRUPT, b"\x00\x00")
    assert [exchange.status for exchange in drive.exchanges()] == ["missing", "passed"]


def test_an_interrupt_that_says_nothing_leaves_the_command_open() -> None:
    """CBI 1.1 3.4.3.1: two bytes. One byte is no status, and a read of the pipe that failed is none either."""
    drive = Drive()
    drive.command("00")
    drive.transfer(0x83, INTERRUPT, b"\0")
    drive.transfer(0x83, INTERRUPT, b"", status=-108)  # ESHUTDOWN, Linux errno
    drive.router.end()
    items = [item for item in drive.router.out.ready() if isinstance(item, Exchange | Stray)]
    assert [item.status for item in items if isinstance(item, Exchange)] == ["missing"]
    assert [(item.kind, item.reason.partition(":")[0]) for item in items if isinstance(item, Stray)] == [
        ("stray status", "an interrupt of 1 byte instead of 2"),
        ("stray error", "the status was not read"),
    ]
