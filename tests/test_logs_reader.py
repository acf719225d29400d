"""Logs read into statements: the kernel's messages beside the recorded captures against what those captures show, and
every way in which lines are broken, glued, quoted and mixed."""

from __future__ import annotations

import tracemalloc
from functools import cache
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sticktrace
from conftest import CAPTURES, capture_path, kernel_log, truth_of
from sticktrace.bus.device import Device
from sticktrace.capture.logs import About, Kind, LogReader, Statement, strength
from sticktrace.capture.logs.reader import OTHER_LINES

LOGS = sorted(path.name.removesuffix(".dmesg.txt") + ".pcap" for path in CAPTURES.glob("*.dmesg.txt"))


def said(text: str | bytes) -> list[Statement]:
    """What a text says, news left out."""
    data = text.encode() if isinstance(text, str) else text
    reader = LogReader(data)
    found = [*reader.statements(), *reader.rest()]
    assert reader.records == len(data.splitlines()) == reader.understood + reader.skipped[OTHER_LINES]
    assert reader.position == len(data)
    return [item for item in found if item.kind != Kind.NEWS]


def one(text: str) -> Statement:
    """The only thing that a text says."""
    (item,) = said(text)
    return item


def of(items: list[Statement], kind: Kind) -> list[Statement]:
    """Those of a kind."""
    return [item for item in items if item.kind == kind]


# -- the messages beside the captures ------------------------------------------------------------------------------


@cache
def log_of(name: str) -> tuple[Statement, ...]:
    return tuple(said(kernel_log(name)))


@cache
def devices_of(name: str) -> tuple[Device, ...]:
    """The devices that the capture of the same run shows, root hubs left out."""
    with sticktrace.open(capture_path(name)) as capture:
        reading = capture.reading()
        for _ in reading:
            pass
    return tuple(d for d in reading.bus.devices if d.ids is not None and d.ids[0] != 0x1D6B)


@pytest.mark.parametrize("name", LOGS)
def test_ids_and_strings_agree_with_the_capture(name: str) -> None:
    by_path: dict[str, dict[str, Any]] = {}
    for item in log_of(name):
        told = by_path.setdefault(item.about.path, {})
        if item.kind == Kind.IDS:
            told["ids"] = (item.get("vid"), item.get("pid"))
        elif item.kind == Kind.STRING:
            told[item.get("which")] = item.get("text")
    logged = [told for told in by_path.values() if "ids" in told and told["ids"][0] != 0x1D6B]
    assert {told["ids"] for told in logged} >= {device.ids for device in devices_of(name)}
    for device in devices_of(name):
        whole = ("iProduct", "iManufacturer", "iSerialNumber")
        strings = tuple(device.named(field) for field in whole)
        if all(strings) and not any("…" in text for text in strings):
            assert any((t.get("product"), t.get("manufacturer"), t.get("serial")) == strings for t in logged), name


@pytest.mark.parametrize("name", LOGS)
def test_identity_and_capacity_agree_with_the_truth(name: str) -> None:
    expected = truth_of(name)["expected"]
    units = expected.get("units") or [expected]
    inquiries = {(i.get("vendor"), i.get("product"), i.get("revision")) for i in of([*log_of(name)], Kind.INQUIRY)}
    sizes = {(i.get("blocks"), i.get("block_length")) for i in of([*log_of(name)], Kind.CAPACITY)}
    for unit in units:
        if "inquiry" in unit:
            told = unit["inquiry"]
            assert (told["vendor"], told["product"], told["revision"]) in inquiries
        if unit.get("last_lba") and unit.get("block_length") == 512 and sizes:
            assert (unit["last_lba"] + 1, 512) in sizes


def test_a_medium_error_agrees_with_what_was_injected() -> None:
    """The truth: reads of LBA 3404 fail with 3/11/00, two of them sent on purpose, the others by the file system."""
    failed = of([*log_of("l15_read_error-usbmon.pcap")], Kind.COMMAND_FAILED)
    assert len(failed) == 6  # the last two were sent through the generic device, of which the kernel says nothing
    for item in failed:
        assert (item.get("key"), item.get("asc"), item.get("ascq")) == (3, 0x11, 0)
        start, count = int.from_bytes(item.get("cdb")[2:6]), int.from_bytes(item.get("cdb")[7:9])
        assert start <= 3404 < start + count
        assert item.get("sector") == start and item.about == About(scsi="0:0:0:0", block="sda")
        assert len(item.records) == 5


def test_the_story_of_a_stick_behind_a_hub() -> None:
    items = [*log_of("l20_hub_uhci-usbmon.pcap")]
    assert [(i.about.path, i.get("speed")) for i in of(items, Kind.PLUGGED)] == [
        ("1-1", "full"), ("1-1.2", "full"), ("1-1.3", "full"),
    ]  # fmt: skip
    assert [(i.about.path, i.get("ports")) for i in of(items, Kind.HUB) if i.get("ports")] == [("1-0", 2), ("1-1", 8)]
    assert [i.about.path for i in of(items, Kind.UNPLUGGED)] == ["1-1.2"]
    (sync,) = of(items, Kind.COMMAND_FAILED)
    assert sync.get("hostbyte") == "NO_CONNECT" and sync.get("message") == "Synchronize Cache(10) failed"


# -- one failure over many lines -----------------------------------------------------------------------------------

NEW = """[   10.000001] sd 6:0:0:0: [sdb] tag#0 FAILED Result: hostbyte=DID_OK driverbyte=DRIVER_OK cmd_age=0s
[   10.000002] sd 6:0:0:0: [sdb] tag#0 Sense Key : Medium Error [current]
[   10.000003] sd 6:0:0:0: [sdb] tag#0 Add. Sense: Unrecovered read error
[   10.000004] sd 6:0:0:0: [sdb] tag#0 CDB: Read(10) 28 00 00 00 08 00 00 00 08 00
[   10.000005] critical medium error, dev sdb, sector 2048 op 0x0:(READ) flags 0x80700 phys_seg 1 prio class 2
"""
OLD = """sd 6:0:0:0: [sdb] Unhandled sense code
sd 6:0:0:0: [sdb] Result: hostbyte=0x00 driverbyte=0x08
sd 6:0:0:0: [sdb] Sense Key : 0x3 [current]
sd 6:0:0:0: [sdb] ASC=0x11 ASCQ=0x0
sd 6:0:0:0: [sdb] CDB: cdb[0]=0x28: 28 00 00 00 08 00 00 00 08 00
end_request: I/O error, dev sdb, sector 2048
"""
BSD = """(da0:umass-sim0:0:0:0): READ(10). CDB: 28 0 0 0 8 0 0 0 8 0
(da0:umass-sim0:0:0:0): CAM status: SCSI Status Error
(da0:umass-sim0:0:0:0): SCSI status: Check Condition
(da0:umass-sim0:0:0:0): SCSI sense: MEDIUM ERROR asc:11,0 (Unrecovered read error)
"""
CDB = bytes.fromhex("28000000080000000800")


@pytest.mark.parametrize("text", [NEW, OLD, BSD], ids=["new kernel", "old kernel", "BSD kernel"])
def test_the_lines_of_a_failure_are_one_statement(text: str) -> None:
    item = one(text)
    assert item.kind == Kind.COMMAND_FAILED and item.get("cdb") == CDB
    assert (item.get("key"), item.get("asc"), item.get("ascq")) == (3, 0x11, 0)
    assert item.records == tuple(range(1, len(text.splitlines()) + 1))


@pytest.mark.parametrize("text", [NEW, OLD, BSD], ids=["new kernel", "old kernel", "BSD kernel"])
def test_the_same_failure_again_is_another(text: str) -> None:
    assert [i.kind for i in said(text * 3)] == [Kind.COMMAND_FAILED] * 3


@pytest.mark.parametrize("missing", range(5))
def test_a_missing_line_leaves_its_part_unknown(missing: int) -> None:
    lines = NEW.splitlines(keepends=True)
    item = one("".join(lines[:missing] + lines[missing + 1 :]))
    parts = [item.get("hostbyte"), item.get("key"), item.get("asc"), item.get("cdb"), item.get("sector")]
    assert [number for number, part in enumerate(parts) if part is None] == [missing]


def test_two_units_that_fail_at_once_are_kept_apart() -> None:
    other = NEW.replace("6:0:0:0", "7:0:0:0").replace("sdb", "sdc").replace("28 00 00", "2a 00 00").splitlines()
    mixed = [line for pair in zip(NEW.splitlines(), other, strict=True) for line in pair]
    first, second = said("\n".join(mixed) + "\n")
    assert (first.about.block, first.get("cdb")) == ("sdb", CDB)
    assert (second.about.block, second.get("cdb")) == ("sdc", b"\x2a" + CDB[1:])
    assert (first.get("sector"), second.get("sector")) == (2048, 2048)


def test_lines_of_other_programs_between_do_not_matter() -> None:
    noise = "[   10.0] wlan0: associated\npier login:\n\nJan  1 10:00:00 gauge smartd[9]: Device: /dev/sda, checked\n"
    item = one(noise.join(NEW.splitlines(keepends=True)))
    assert item.get("cdb") == CDB and item.get("sector") == 2048


def test_an_old_failure_is_not_mended_with_later_lines() -> None:
    lines = NEW.splitlines(keepends=True)
    first, second = said("".join(lines[:1]) + "[   99.0] sd 6:0:0:0: [sdb] tag#0 Sense Key : Not Ready [current]\n")
    assert first.get("key") is None and second.get("key") == 2


def test_a_named_command_that_failed() -> None:
    text = """sd 6:0:0:0: [sdb] Read Capacity(10) failed: Result: hostbyte=DID_OK driverbyte=DRIVER_SENSE
sd 6:0:0:0: [sdb] Sense Key : Not Ready [current]
sd 6:0:0:0: [sdb] Add. Sense: Medium not present
"""
    item = one(text)
    assert item.get("message") == "Read Capacity(10) failed"
    assert (item.get("key"), item.get("asc"), item.get("ascq")) == (2, 0x3A, 0)


@pytest.mark.parametrize(
    ("lines", "sense"),
    [
        ("Sense Key  : 2\nAdditional Sense Code : 3a\nAdditional Sense Code Qualifier: 0", (2, 0x3A, 0)),
        ("Sense Key  : 6\nAdditional Sense Code : 40\nAdditional Sense Code Qualifier: 0", (6, 0x28, 0)),  # decimal
        ("Sense Key  : 4\nAdditional Sense Code : 40\nAdditional Sense Code Qualifier: 80", (4, 0x40, 0x80)),
        ("Sense Key  : 3\nAdditional Sense Code : 17\nAdditional Sense Code Qualifier: 0", (3, 0x11, 0)),  # decimal
        ("Sense Key  : 5\nAdditional Sense Code : 20\nAdditional Sense Code Qualifier: 0", (5, 0x20, 0)),
        ("sda: Current: sense key: Unit Attention\n    Additional sense: Not ready to ready change, medium may have "
         "changed", (6, 0x28, 0)),
        ("   Request Sense returned 02 04 01", (2, 4, 1)),
        ("usb-storage: -- code: 0x70, key: 0x3, ASC: 0x11, ASCQ: 0x0", (3, 0x11, 0)),
        ("    SENSE KEY: Media Error\n     ASC/ASCQ: Unrecovered Read Error", (3, 0x11, 0)),
        ("sense: 2/3a/0", (2, 0x3A, 0)),
        ("sd 0:0:0:0: [sda] Sense Key : Illegal Request [current]\nsd 0:0:0:0: [sda] <<vendor>>ASC=0x80 ASCQ=0x0",
         (5, 0x80, 0)),
    ],
)  # fmt: skip
def test_sense_in_every_spelling(lines: str, sense: tuple[int, int, int]) -> None:
    item = one(lines + "\n")
    assert (item.get("key"), item.get("asc"), item.get("ascq")) == sense


# -- lines as people pass them on ----------------------------------------------------------------------------------

PLUG = "[   12.345678] usb 1-1: new high-speed USB device number 5 using ehci-pci"


@pytest.mark.parametrize("quote", ["> ", ">> ", "> > > ", "| ", "    "])
def test_quoted_by_mail(quote: str) -> None:
    item = one("".join(quote + line + "\n" for line in NEW.splitlines()))
    assert item.get("cdb") == CDB and item.get("sector") == 2048


@pytest.mark.parametrize("width", range(52, 78, 2))
@pytest.mark.parametrize("quote", ["", "> "])
def test_wrapped_at_any_width(width: int, quote: str) -> None:
    """A mail program breaks at blanks; what follows has no head."""
    import textwrap

    lines = [
        part
        for line in [PLUG, *NEW.splitlines()]
        for part in textwrap.wrap(line, width, break_long_words=False, break_on_hyphens=False)
    ]
    plug, item = said("".join(f"{quote}{line}\n" for line in lines))
    assert (plug.kind, plug.about.path, plug.about.address) == (Kind.PLUGGED, "1-1", 5)
    assert (item.get("cdb"), item.get("key"), item.get("asc"), item.get("sector")) == (CDB, 3, 0x11, 2048)


def test_broken_in_mid_word_by_a_terminal() -> None:
    text = f"{PLUG[:70]}\n{PLUG[70:]}\n"
    assert one(text).about.path == "1-1"


def test_a_whole_line_is_not_joined_with_the_next() -> None:
    first, second = said(f"{PLUG}\nroot@pier:~# ls\nthe tide is high\n[   13.0] usb 1-1: Product: TIDE LOGGER\n$ ls\n")
    assert first.get("driver") == "ehci-pci" and second.get("text") == "TIDE LOGGER"


def test_glued_lines_are_parted() -> None:
    text = f"{PLUG}[   12.400000] usb 1-1: device descriptor read/64, error -71<6>usb 1-1: USB disconnect, address 5\n"
    assert [i.kind for i in said(text)] == [Kind.PLUGGED, Kind.DESCRIPTOR_ERROR, Kind.UNPLUGGED]


def test_an_error_in_the_middle_of_another_line() -> None:
    text = "scanning bus 0 for devices... EHCI timed out on TD - token=0x80008c80\n2 USB Device(s) found\n"
    assert [i.kind for i in said(text)] == [Kind.TRANSPORT_ERROR, Kind.HUB]
    assert [i.kind for i in said(text.replace("\n2", " 2"))] == [Kind.TRANSPORT_ERROR, Kind.HUB]


def test_a_clock_that_starts_again_begins_anew() -> None:
    kinds = [i.kind for i in said(f"{PLUG}\n{PLUG.replace('12.345678', ' 2.345678')}\n")]
    assert kinds == [Kind.PLUGGED, Kind.BEGINS, Kind.PLUGGED]


def test_times_that_are_not_printed_are_not_known() -> None:
    first, second = said(f"{PLUG}\nusb 1-1: USB disconnect, device number 5\n")
    assert first.timed and not second.timed
    assert first.facts()["time_ns"] == 0 and second.facts()["time_ns"] is None


def test_utf_16_and_carriage_returns() -> None:
    for data in (PLUG.encode("utf-16"), f"{PLUG}\r\n".encode()):
        reader = LogReader(data)
        found = [*reader.statements(), *reader.rest()]
        assert [i.kind for i in found] == [Kind.PLUGGED]


def test_device_strings_are_made_safe() -> None:
    item = one("[    1.0] usb 1-1: Product: TIDE\u202eLOGGER\n")
    assert item.get("text") == "TIDE\\u202eLOGGER" and "\u202e" not in item.line


def test_what_is_no_log_has_no_strength() -> None:
    assert strength(b"") == 0
    assert strength(bytes(range(256)) * 64) == 0
    assert strength(b"55 53 42 43 01 00 00 00 24 00 00 00 80 00 06 12\n" * 10) == 0
    assert strength(b"the tide is high\nUSB Device Attached\n") == 1
    assert strength(NEW.encode()) == 2


# -- bounds ----------------------------------------------------------------------------------------------------------


ODD = ["", "x" * 5000, "\0\x1b[31m", "{", ">", "[", "<6>"]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.sampled_from([*NEW.splitlines(), *BSD.splitlines(), PLUG, *ODD])), st.data())
def test_any_cut_of_any_lines_is_read_without_a_fault(lines: list[str], data: st.DataObject) -> None:
    text = "\n".join(lines).encode()
    cut = text[: data.draw(st.integers(0, len(text)))]
    said(cut)


@settings(max_examples=100, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_are_read_without_a_fault(data: bytes) -> None:
    reader = LogReader(data)
    for item in (*reader.statements(), *reader.rest()):
        assert item.facts()["line"].isprintable()


def test_whole_or_byte_by_byte() -> None:
    """A log that grows says the same as one that is whole."""
    data = (PLUG + "\n" + NEW + BSD).encode()
    reader = LogReader(b"")
    found: list[Statement] = []
    for end in range(0, len(data) + 1, 7):
        reader.data = data[:end]
        found += reader.statements()
    reader.data = data
    found += [*reader.statements(), *reader.rest()]
    assert [i.facts() for i in found] == [i.facts() for i in (lambda r: [*r.statements(), *r.rest()])(LogReader(data))]


def test_memory_does_not_grow_with_the_log() -> None:
    data = (NEW + "[   10.0] wlan0: associated\n") * 4000
    reader = LogReader(data.encode())
    tracemalloc.start()
    count = sum(1 for _ in reader.statements())
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert count >= 3999 and most < 2_000_000
