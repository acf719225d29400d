"""Mode pages against SPC, SBC, SCSI-2, UFI and MMC, an emulated disk and CD drive (recorded), and PYSCSI.

Unless a check names another source, positions are those of the page's table in the document that the layout cites (from
memory); bits of pages 01h, 08h, 1Ch, 05h and 1Bh are also in the reference notes of this project.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_everything
from sticktrace.grammar import mode_pages as pages
from sticktrace.grammar import mode_pages_mmc as mmc
from sticktrace.grammar.layout import Layout
from vectors import all_values, values_of, words_of

RECORDED_DISK = {  # MODE SENSE(6), page 3Fh, of an emulated disk
    0x01: "010a80000000000000000000",
    0x04: "04160000201000002000002000c8ffffff00000015180000",
}
RECORDED_CD = bytes.fromhex("2a143b007fff2d0022600002 08000b0000000b000b00")


def test_recorded_disk_pages() -> None:
    """AWRE alone is set; the geometry fits the 32768 blocks that the same disk reports (16 heads of 63 sectors)."""
    error = values_of(pages.ERROR_RECOVERY, bytes.fromhex(RECORDED_DISK[0x01]))
    assert {name for name, value in error.items() if value == 1} == {"AWRE", "PAGE CODE"}
    geometry = values_of(pages.RIGID_GEOMETRY, bytes.fromhex(RECORDED_DISK[0x04]))
    assert (geometry["NUMBER OF CYLINDERS"], geometry["NUMBER OF HEADS"]) == (32768 // (16 * 63), 16)
    assert geometry["MEDIUM ROTATION RATE"] == 5400


def test_recorded_cd_page() -> None:
    """50x reading, 16x now (common practice: 1x is 176 kB/s), tray, 2 MiB of buffer, no burner."""
    values = values_of(mmc.CAPABILITIES_SHORT, RECORDED_CD)
    assert (values["MAXIMUM READ SPEED"], values["CURRENT READ SPEED"]) == (50 * 176, 16 * 176)
    assert (values["BUFFER SIZE SUPPORTED"], values["DVD-ROM READ"], values["CD-R WRITE"]) == (2048, 1, 0)
    assert words_of(mmc.CAPABILITIES_SHORT, RECORDED_CD)["LOADING MECHANISM TYPE"] == "tray"


PAGES: list[tuple[Layout, str, dict[str, int]]] = [
    (
        pages.CACHING,
        "88 12"  # PS 1, page 08h, length 12h
        "05"  # WCE (bit 2), RCD (bit 0)
        "00"
        "ffff 0001 0002 0003"  # disable, minimum, maximum, ceiling
        "a0"  # FSW (bit 7), DRA (bit 5)
        "08"  # NUMBER OF CACHE SEGMENTS
        "0010 00 000000",
        {"PS": 1, "WCE": 1, "RCD": 1, "DISABLE PRE-FETCH TRANSFER LENGTH": 0xFFFF, "MINIMUM PRE-FETCH": 1,
         "MAXIMUM PRE-FETCH": 2, "MAXIMUM PRE-FETCH CEILING": 3, "FSW": 1, "DRA": 1, "NUMBER OF CACHE SEGMENTS": 8,
         "CACHE SEGMENT SIZE": 16},
    ),
    (
        pages.INFORMATIONAL_EXCEPTIONS,
        "1c 0a"
        "9d"  # PERF 7, EWASC 4, DEXCPT 3, TEST 2, LOGERR 0
        "06"  # MRIE 6
        "00000258 00000001",  # INTERVAL TIMER 600, REPORT COUNT 1
        {"PERF": 1, "EWASC": 1, "DEXCPT": 1, "TEST": 1, "LOGERR": 1, "MRIE": 6, "INTERVAL TIMER": 600,
         "REPORT COUNT": 1},
    ),
    (
        pages.TIMER_AND_PROTECT,  # UFI 1.0
        "1c 06 00"
        "05"  # INACTIVITY TIME MULTIPLIER (bits 3-0)
        "03"  # DISP (bit 1), SWPP (bit 0)
        "000000",
        {"INACTIVITY TIME MULTIPLIER": 5, "DISP": 1, "SWPP": 1},
    ),
    (
        pages.FLEXIBLE_DISK,  # UFI 1.0: a 1.44 MB diskette
        "05 1e"
        "01f4"  # TRANSFER RATE 500 kbit/s
        "02 12"  # 2 heads, 18 sectors
        "0200 0050"  # 512 bytes, 80 cylinders
        "000000000000000000"  # bytes 10-18: reserved in UFI
        "05 1e"  # MOTOR ON DELAY, MOTOR OFF DELAY in 0.1 s
        "00000000000000"  # bytes 21-27: reserved in UFI
        "012c"  # MEDIUM ROTATION RATE 300
        "0000",
        {"TRANSFER RATE": 500, "NUMBER OF HEADS": 2, "SECTORS PER TRACK": 18, "DATA BYTES PER SECTOR": 512,
         "NUMBER OF CYLINDERS": 80, "MOTOR ON DELAY": 5, "MOTOR OFF DELAY": 30, "MEDIUM ROTATION RATE": 300},
    ),
    (
        pages.REMOVABLE_BLOCK_ACCESS,  # UFI 1.0
        "1b 0a"
        "c0"  # SFLP 7, SRFP 6
        "81"  # NCD 7, TLUN 1
        "0000000000000000",
        {"SFLP": 1, "SRFP": 1, "NCD": 1, "TLUN": 1},
    ),
    (
        pages.POWER_CONDITION_SHORT,  # SPC-3
        "1a 0a 00 03 00000064 00000384",
        {"IDLE": 1, "STANDBY": 1, "IDLE CONDITION TIMER": 100, "STANDBY CONDITION TIMER": 900},
    ),
    (
        pages.RBC_PARAMETERS,  # RBC: WCD in byte 2 bit 0 as Linux reads it; the rest from memory
        "06 0b 01 0200 0000010000 ff 0c 00",
        {"WCD": 1, "LOGICAL BLOCK SIZE": 512, "NUMBER OF LOGICAL BLOCKS": 65536, "POWER/PERFORMANCE": 255, "READD": 1,
         "WRITED": 1},
    ),
    (
        pages.FORMAT_DEVICE,  # SCSI-2
        "03 16 0001 0002 0003 0004 003f 0200 0001 0000 0000 60 000000",
        {"TRACKS PER ZONE": 1, "ALTERNATE SECTORS PER ZONE": 2, "ALTERNATE TRACKS PER ZONE": 3,
         "ALTERNATE TRACKS PER LOGICAL UNIT": 4, "SECTORS PER TRACK": 63, "DATA BYTES PER PHYSICAL SECTOR": 512,
         "INTERLEAVE": 1, "HSEC": 1, "RMB": 1},
    ),
    (
        mmc.CD_AUDIO_CONTROL,  # MMC-3
        "0e 0e 04 000000 0000 01ff 02ff 0000 0000",
        {"IMMED": 1, "PORT 0 CHANNEL SELECTION": 1, "PORT 0 VOLUME": 255, "PORT 1 CHANNEL SELECTION": 2,
         "PORT 1 VOLUME": 255},
    ),
]  # fmt: skip


@pytest.mark.parametrize(("layout", "data", "fields"), PAGES, ids=lambda item: getattr(item, "title", ""))
def test_page(layout: Layout, data: str, fields: dict[str, int]) -> None:
    """The listed fields read so, every other is zero, and they build the page."""
    raw = bytes.fromhex(data)
    values = values_of(layout, raw)
    shown = {name: v for name, v in values.items() if v and not isinstance(v, bytes)}
    assert {name: v for name, v in shown.items() if name not in ("PAGE CODE", "PAGE LENGTH")} == fields
    assert layout.build(fields) == raw


def test_write_speeds_of_a_burner() -> None:
    """MMC-3: descriptors of four bytes after byte 31, counted in bytes 30-31."""
    data = bytes.fromhex("2a26" + "00" * 26 + "1b80" + "0002" + "00001b80" + "00000dc0")
    assert data[1] == len(data) - 2
    assert all_values(mmc.CAPABILITIES, data, "WRITE SPEED SUPPORTED") == [7040, 3520]
    values_of(mmc.CAPABILITIES, data)


@pytest.mark.parametrize(
    ("page", "length", "layout"),
    [
        (0x1C, 0x0A, pages.INFORMATIONAL_EXCEPTIONS),
        (0x1C, 0x06, pages.TIMER_AND_PROTECT),
        (0x08, 0x0A, pages.CACHING_SHORT),  # SCSI-2
        (0x08, 0x12, pages.CACHING),  # SBC-2 on
        (0x08, 0x20, pages.CACHING),  # longer than any edition known here
        (0x0A, 0x06, pages.CONTROL_SHORT),  # SCSI-2
        (0x0A, 0x0A, pages.CONTROL),
        (0x1A, 0x0A, pages.POWER_CONDITION_SHORT),
        (0x1A, 0x26, pages.POWER_CONDITION),
        (0x05, 0x1E, pages.FLEXIBLE_DISK),
        (0x05, 0x32, mmc.WRITE_PARAMETERS_SHORT),  # MMC-5, of CD units
        (0x05, 0x36, mmc.WRITE_PARAMETERS),
        (0x05, 0x20, pages.FLEXIBLE_DISK),
        (0x08, 0x02, None),
        (0x00, 0x0A, pages.VENDOR),
        (0x2A, 0x18, mmc.CAPABILITIES_SHORT),
        (0x21, 0x0A, None),
    ],
)
def test_choice_by_length(page: int, length: int, layout: Layout | None) -> None:
    """One page code, several pages: PAGE LENGTH tells them apart."""
    assert pages.mode_page(page, length) is layout


def test_every_form_is_as_long_as_it_says() -> None:
    """PAGE LENGTH counts what follows it (SPC-4, mode page format)."""
    for code, length, layout in pages.FORMS:
        built = layout.build({})
        assert (built[0] & 0x3F, built[1], len(built)) == (code, length, length + 2), layout.title


def _pyscsi_case(name: str) -> tuple[Any, Layout]:
    enums = pytest.importorskip("pyscsi.pyscsi.scsi_enum_modesense")
    layouts = {
        "control_bits": pages.CONTROL, "disconnect_reconnect_bits": pages.DISCONNECT_RECONNECT,
        "power_condition_bits": pages.POWER_CONDITION,
    }  # fmt: skip
    return getattr(enums, name), layouts[name]


_OURS = {
    "idle_a_condition_timer": "IDLE_A CONDITION TIMER", "idle_b_condition_timer": "IDLE_B CONDITION TIMER",
    "idle_c_condition_timer": "IDLE_C CONDITION TIMER", "standby_y_condition_timer": "STANDBY_Y CONDITION TIMER",
    "standby_z_condition_timer": "STANDBY_Z CONDITION TIMER", "dimm": "DIMM",
    "tmf_only": "TMF_ONLY", "d_sense": "D_SENSE", "ua_intlck_ctrl": "UA_INTLCK_CTRL",
    "pm_bg_precedence": "PM_BG_PRECEDENCE", "standby_y": "STANDBY_Y", "standby_z": "STANDBY_Z", "idle_a": "IDLE_A",
    "idle_b": "IDLE_B", "idle_c": "IDLE_C", "extended_self_test_completion_time": "EXTENDED SELF-TEST COMPLETION TIME",
}  # fmt: skip
# PYSCSI 2.1.0 places standby_y and standby_z a byte too early for its own base (byte 0 is the page header there).
_LEFT_OUT = {"standby_y", "standby_z"}


@pytest.mark.parametrize(
    ("name", "base"), [("control_bits", 2), ("disconnect_reconnect_bits", 2), ("power_condition_bits", 0)]
)
def test_positions_agree_with_pyscsi(name: str, base: int) -> None:
    """Mask and byte of every field that PYSCSI lists."""
    table, layout = _pyscsi_case(name)
    for theirs, (mask, byte) in table.items():
        if theirs in _LEFT_OUT:
            continue
        ours = _OURS.get(theirs, theirs.replace("_", " ").upper())
        width = (mask.bit_length() + 7) // 8
        data = layout.build({ours: mask >> ((mask & -mask).bit_length() - 1)})
        blank = layout.build({})
        changed = int.from_bytes(data, "big") ^ int.from_bytes(blank, "big")
        assert changed == mask << 8 * (len(data) - base - byte - width), theirs


@pytest.mark.parametrize("layout", [form for _, _, form in pages.FORMS] + [pages.VENDOR], ids=lambda item: item.title)
def test_any_bytes(layout: Layout) -> None:
    """Rules of every layout, on any bytes."""

    @settings(max_examples=15, deadline=None)
    @given(st.binary(max_size=44))
    def check(data: bytes) -> None:
        check_everything(layout, data)

    check()
