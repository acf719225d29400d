"""Bulk-Only Transport wrappers and class requests, against BOT 1.0 and published examples."""

from __future__ import annotations

import pytest

from sticktrace.grammar import bot
from sticktrace.grammar.layout import Layout

# Kernel documentation, usbmon, example 2: "= 55534243 ad000000 00800000 80010a28 20000000 20000040 00000000 000000"
KERNEL_CBW = bytes.fromhex(
    "55534243"  # dCBWSignature "USBC"
    "ad000000"  # dCBWTag ADh
    "00800000"  # dCBWDataTransferLength 32768
    "80"  # bmCBWFlags: IN
    "01"  # bCBWLUN 1
    "0a"  # bCBWCBLength 10
    "28200000002000004000000000000000"  # CBWCB: READ(10) LBA 20h, 64 blocks, old LUN field 1
)


def meanings(layout: Layout, data: bytes) -> dict[str, str]:
    """Field name to meaning."""
    return {row.name: row.meaning for row in layout.explain(data).rows}


def test_cbw_of_the_kernel_documentation() -> None:
    """BOT 1.0 5.1 Table 5.1 read over the kernel's own example."""
    values = bot.CBW.parse(KERNEL_CBW)
    assert values["dCBWSignature"] == 0x43425355  # BOT 1.0 5.1
    assert values["dCBWTag"] == 0xAD
    assert values["dCBWDataTransferLength"] == 32768
    assert values["bmCBWFlags"]["Direction"] == 1
    assert (values["bCBWLUN"], values["bCBWCBLength"]) == (1, 10)
    assert values["CBWCB"][:10] == bytes.fromhex("28200000002000004000")
    assert meanings(bot.CBW, KERNEL_CBW)["Direction"] == "data from device to host"


def test_places_of_table_5_1() -> None:
    """Offsets and sizes of BOT 1.0 Tables 5.1 and 5.2."""
    cbw = {row.name: (row.offset, row.size) for row in bot.CBW.outline()}
    assert [cbw[name] for name in ("dCBWSignature", "dCBWTag", "dCBWDataTransferLength", "bmCBWFlags")] == [
        (0, 4), (4, 4), (8, 4), (12, 1)
    ]  # fmt: skip
    assert [cbw[name] for name in ("bCBWLUN", "bCBWCBLength", "CBWCB")] == [(13, 1), (14, 1), (15, 16)]
    csw = {row.name: (row.offset, row.size) for row in bot.CSW.outline()}
    assert list(csw.values()) == [(0, 4), (4, 4), (8, 4), (12, 1)]
    assert (bot.CBW.sizeof(), bot.CSW.sizeof()) == (31, 13)


def test_fast_forms_agree_with_the_layouts() -> None:
    """The structs for hot loops give what the layouts give."""
    signature, tag, length, flags, lun, size, block = bot.CBW_FAST.unpack(KERNEL_CBW)
    values = bot.CBW.parse(KERNEL_CBW)
    assert (signature, tag, length) == (values["dCBWSignature"], values["dCBWTag"], values["dCBWDataTransferLength"])
    assert (flags & bot.IN, lun & 0x0F, size & 0x1F, block) == (bot.IN, 1, 10, values["CBWCB"])
    csw = bytes.fromhex("55534253 ad000000 00020000 01")
    assert bot.CSW_FAST.unpack(csw) == tuple(bot.CSW.parse(csw).values())


@pytest.mark.parametrize(
    ("status", "words"),
    [(0, "command passed"), (1, "command failed"), (2, "phase error"), (4, "reserved (obsolete)"), (5, "reserved")],
)
def test_csw_status(status: int, words: str) -> None:
    """BOT 1.0 5.2 Table 5.3."""
    data = bytes.fromhex("55534253 01000000 00000000") + bytes([status])
    assert meanings(bot.CSW, data)["bCSWStatus"] == words


def test_what_is_wrong_is_said() -> None:
    """A wrong signature and an illegal command block length are marked in words (BOT 1.0 5.1)."""
    said = meanings(bot.CBW, b"USBS" + KERNEL_CBW[4:14] + b"\x11" + KERNEL_CBW[15:])
    assert said["dCBWSignature"].startswith("wrong")
    assert said["bCBWCBLength"].startswith("wrong")


def test_direction_does_not_matter_without_data() -> None:
    """BOT 1.0 5.1: with dCBWDataTransferLength zero the device ignores the direction bit."""
    said = meanings(bot.CBW, KERNEL_CBW[:8] + bytes(4) + KERNEL_CBW[12:])
    assert said["Direction"] == "no data, so the device ignores this bit"


@pytest.mark.parametrize(
    ("setup", "layout"),
    [  # BOT 1.0 3.1 and 3.2; wIndex is the interface number
        ("21 ff 0000 0200 0000", bot.RESET_SETUP),
        ("a1 fe 0000 0200 0100", bot.MAX_LUN_SETUP),
        ("21 00 0000 0200 0c00", bot.ADSC_SETUP),  # MSC Overview 1.4 Table 3
    ],
)
def test_class_requests(setup: str, layout: Layout) -> None:
    """Setup packets are told by type and request, and are built from the interface number alone."""
    data = bytes.fromhex(setup)
    assert bot.class_request(data) is layout
    assert layout.build({"wIndex": 2}) == data


def test_other_setup_packets_are_not_class_requests() -> None:
    """CLEAR_FEATURE(ENDPOINT_HALT) (USB 2.0 9.4.1) and short data are not claimed."""
    assert bot.class_request(bytes.fromhex("0201000081000000")) is None
    assert bot.class_request(b"\x21\xff") is None


@pytest.mark.parametrize(("value", "words"), [(0, "one logical unit"), (3, "4 logical units"), (16, "wrong")])
def test_max_lun(value: int, words: str) -> None:
    """BOT 1.0 3.2: the answer is the highest LUN, 0 to 15."""
    assert meanings(bot.MAX_LUN_DATA, bytes([value]))["Max LUN"].startswith(words)
