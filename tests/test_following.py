"""A capture that still comes is read, in the end, as it is read from a file: whatever the pieces, whatever its form,
and though the first of it may look like something else."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import sticktrace
from conftest import LOGS, ROOT, capture_bytes
from sticktrace.capture.join import AtOnce, Joiner
from sticktrace.capture.source import Source
from sticktrace.errors import CaptureError
from sticktrace.findings.live import Account
from sticktrace.following import Following
from sticktrace.output.json_lines import item_facts
from sticktrace.writing.scratch import Scratch
from test_capture_usbmon_stream import stream

DEMOS = sorted((ROOT / "traces" / "demo").iterdir())
CAPTURES = [
    "l15_read_error-usbmon.pcap",
    "l20_hub_uhci-usbmon-0u.txt",
    "c08_fat32_ng_le.pcapng",
    "l14_hot_unplug-emu.pcap",
]
TEXTS = ["board-disk-error", "medium-error-new", "cannot-reset-port"]


def sources() -> dict[str, bytes]:
    found = {path.stem: path.read_bytes() for path in DEMOS}
    found |= {name: capture_bytes(name) for name in CAPTURES}
    found |= {name: (LOGS / f"{name}.log").read_bytes() for name in TEXTS}
    found["the kernel's device"] = stream((ROOT / "traces" / "demo" / "write-protected.pcap").read_bytes())
    return found


SOURCES = sources()


class Growing:
    """A source that is written bit by bit, and what came of it."""

    def __init__(self) -> None:
        self.sink = Scratch()
        self.following = Following(Source("what comes", self.sink.file, []))
        self.items: list[dict[str, Any]] = []
        self.account: Account | None = None
        self.climbed: list[str] = []
        self._passes = 0

    def add(self, data: bytes) -> None:
        self.sink.write(data)
        self.see(self.following.take())

    def see(self, items: Any) -> None:
        for item in items:
            if self.following.passes != self._passes or self.account is None:
                self._passes = self.following.passes
                assert self.following.reading is not None
                self.items, self.climbed, self.account = [], [], Account(self.following.reading)
            self.climbed += [climb.rung.stage for climb in self.account.see(item)]
            self.items.append(item_facts(item))


@pytest.fixture
def growing() -> Iterator[Growing]:
    made = Growing()
    yield made
    made.sink.close()


def pieces(data: bytes, seed: int, largest: int) -> list[bytes]:
    chance, found, at = random.Random(seed), [], 0
    while at < len(data):
        size = chance.randrange(1, largest)
        found.append(data[at : at + size])
        at += size
    return found


@pytest.mark.parametrize("name", SOURCES)
@pytest.mark.parametrize("largest", [100, 5_000])
def test_it_ends_as_if_read_from_a_file(name: str, largest: int, tmp_path: Path, growing: Growing) -> None:
    data = SOURCES[name][:60_000]
    (tmp_path / "whole").write_bytes(data)
    growing.following._not_before = float("-inf")
    for piece in pieces(data, 7, largest):
        growing.following._not_before = 0.0  # look whenever something may tell, whatever the time
        growing.add(piece)
    growing.see(growing.following.finish())
    with sticktrace.open(tmp_path / "whole") as capture:
        reading = capture.reading()
        assert growing.items == [item_facts(item) for item in reading]
        assert growing.following.reading is not None
        assert growing.following.reading.places() == reading.places()
        assert growing.following.reading.damage == reading.damage
        diagnosis = sticktrace.diagnose(capture.reading())
    assert growing.account is not None
    assert growing.account.conclude().facts() == diagnosis.facts()


def test_a_kernels_messages_on_a_live_console_stand_where_they_came(growing: Growing) -> None:
    """Pasted above the bytes they would be a log of their own; as they come they are part of what happens."""
    kernel = b"[    1.000000] usb 1-1: new high-speed USB device number 5 using ehci-pci\n"
    growing.add(kernel * 3 + (ROOT / "traces" / "demo" / "usb-console.txt").read_bytes())
    growing.see(growing.following.finish())
    assert growing.following.reading is not None and growing.following.reading.reader.form == "hex text"
    kinds = [fact["kind"] for fact in growing.items]
    assert kinds.count("exchange") == 5 and "statement" in kinds[: kinds.index("exchange")]
    assert any(fact["kind"] == "statement" and "usb 1-1" in fact["line"] for fact in growing.items)


def test_what_a_console_says_before_its_first_transfer_misleads_nobody(growing: Growing) -> None:
    """Kernel messages first, then transfers: read as a log until the bytes come, then read again with them."""
    boot = b"".join(
        b"[    0.%06d] usb 1-1: new high-speed USB device number %d using ehci-platform\r\n" % (n, 2 + n % 9)
        for n in range(200)
    )
    growing.add(boot)
    assert growing.following.reading is not None and growing.following.reading.reader.form == "log"
    growing.following._not_before = 0.0
    growing.add((ROOT / "traces" / "demo" / "usb-console.txt").read_bytes())
    assert growing.following.passes == 2 and growing.following.reading.reader.form == "hex text"
    growing.see(growing.following.finish())
    assert sum(fact["kind"] == "exchange" for fact in growing.items) == 5


def test_a_recording_that_begins_between_two_halves(tmp_path: Path, growing: Growing) -> None:
    """The end of a transfer first, then something sent: as if the recorder left empty halves out, until more comes."""
    data = (ROOT / "traces" / "demo" / "write-protected.pcap").read_bytes()
    whole = tmp_path / "whole.pcap"
    whole.write_bytes(data)
    with sticktrace.open(whole) as capture:
        reading = capture.reading()
        first = next(item for item in reading if isinstance(item, sticktrace.Exchange) and item.direction == "in")
    starts, at = [], 24
    while at < len(data):
        starts.append(at)
        at += 16 + int.from_bytes(data[at + 8 : at + 12], "little")
    begin = first.records[-1] - 1  # the completion of its CSW; the submission of the next CBW follows
    rest = data[:24] + data[starts[begin] :]
    whole.write_bytes(rest)
    early = starts[begin + 2] - starts[begin] + 24
    growing.add(rest[:early])
    assert growing.following.reading is not None and growing.following.reading.reader.join_as is AtOnce
    growing.following._not_before = 0.0
    growing.add(rest[early:])
    assert growing.following.passes == 2 and growing.following.reading.reader.join_as is Joiner
    growing.see(growing.following.finish())
    with sticktrace.open(whole) as capture:
        assert growing.items == [item_facts(item) for item in capture.items()]


def test_half_a_line_tells_nothing(growing: Growing) -> None:
    lines = (ROOT / "traces" / "demo" / "usb-console.txt").read_bytes().splitlines(keepends=True)
    growing.add(b"".join(lines[:-2]))
    before = len(growing.items)
    growing.add(lines[-2][:30])
    assert len(growing.items) == before
    growing.add(lines[-2][30:] + lines[-1])
    growing.see(growing.following.finish())
    assert len(growing.items) > before


def test_what_waits_for_a_line_that_goes_on_is_told_when_nothing_comes(growing: Growing) -> None:
    growing.add(b"[    1.000000] usb 1-1: new high-speed USB device number 5 using ehci-pci\n")
    assert not growing.items
    growing.see(growing.following.settle())
    assert [fact["kind"] for fact in growing.items] == ["event", "statement"] and growing.following.settled
    growing.add(b"[    1.200000] usb 1-1: USB disconnect, device number 5\n")
    growing.see(growing.following.finish())
    assert [fact.get("says") or fact.get("what") for fact in growing.items] == [
        "attached", "plugged", "detached", "unplugged",
    ]  # fmt: skip


def test_the_stages_are_told_as_they_are_reached(growing: Growing) -> None:
    for piece in pieces((ROOT / "traces" / "demo" / "healthy-boot.pcap").read_bytes(), 3, 900):
        growing.add(piece)
    assert growing.climbed == [str(stage) for stage in sticktrace.Stage]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"\xd4\xc3\xb2\xa1\2\0\4\0" + bytes(8) + b"\xff\xff\0\0\x01\0\0\0", "link type 1 is not one"),
        (b"\x1f\x8b\x08" + bytes(40), "is packed"),
        (b"\xfd7zXZ\0" + bytes(40), "is packed"),
    ],
)
def test_what_cannot_become_a_capture_ends_at_once(data: bytes, words: str, growing: Growing) -> None:
    with pytest.raises(CaptureError, match=words):
        growing.add(data)


@pytest.mark.parametrize("data", [b"", b"hello\n" * 9, bytes(range(256)) * 40])
def test_nothing_and_noise_are_told_at_the_end(data: bytes, growing: Growing) -> None:
    growing.add(data)
    with pytest.raises(CaptureError, match="not a form" if data else "nothing came"):
        growing.see(growing.following.finish())
