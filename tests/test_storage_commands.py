"""The command vocabulary: names, words, quick readers and composing."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sticktrace.errors import LayoutError
from sticktrace.grammar import ufi
from sticktrace.storage import commands
from sticktrace.storage.recognise import read_as, recognise
from sticktrace.storage.wrapping import wrap


@pytest.mark.parametrize(
    ("cdb", "words"),
    [
        ("28000000082000000800", "READ(10) LBA 2080, 8 blocks"),
        ("2a000000082000000100", "WRITE(10) LBA 2080, 1 block"),
        ("080000000000", "READ(6) LBA 0, 256 blocks"),  # SBC-3: 0 means 256 in READ (6) only
        ("28000000000000000000", "READ(10) LBA 0, no data"),
        ("12018300ff00", "INQUIRY VPD 83h, 255 bytes"),
        ("120000002400", "INQUIRY 36 bytes"),
        ("1a003f00c000", "MODE SENSE(6) page 3Fh, 192 bytes"),
        ("1b0000000200", "START STOP UNIT: eject the medium"),
        ("1e0000000100", "PREVENT ALLOW MEDIUM REMOVAL: the medium is locked in"),
        ("35000000000000000000", "SYNCHRONIZE CACHE(10) LBA 0, to the last block"),
        ("000000000000", "TEST UNIT READY"),
        ("ff0000000000", "vendor specific opcode FFh"),
        ("3f000000000000000000", "opcode 3Fh (10-byte group)"),
        ("63", "opcode 63h (reserved group)"),
        ("7f", "opcode 7Fh (variable length group)"),
        ("9e1f" + 14 * "00", "opcode 9Eh, service action 1Fh"),
        ("", "empty command block"),
    ],
)
def test_describe(cdb: str, words: str) -> None:
    """One line a person can read, whatever the bytes."""
    assert commands.describe(bytes.fromhex(cdb)) == words


@given(st.binary(max_size=32), st.integers(0, 31))
def test_any_bytes_have_a_name_and_a_description(cdb: bytes, device_type: int) -> None:
    """No command block, however short or odd, raises."""
    assert commands.name(cdb, device_type)
    assert commands.describe(cdb, device_type).startswith(commands.name(cdb, device_type))
    assert len(commands.lba_and_blocks(cdb)) == 2
    command = commands.find(cdb, device_type)
    for outgoing in (False, True):
        layout = commands.parameter_layout(command, cdb, cdb, outgoing) if command is not None else None
        if layout is not None:
            layout.explain(cdb)


def test_quick_readers_agree_with_the_layouts() -> None:
    """For every command with an address, the quick reader gives what the layout gives."""
    seen = 0
    for command in commands.COMMANDS:
        if not command.lba or command.device_types:
            continue
        size = command.cdb.sizeof()
        action = b"" if command.service_action is None else bytes([command.service_action])
        cdb = (bytes([command.opcode]) + action).ljust(2, b"\x00") + bytes(range(3, size + 1))
        values = command.cdb.parse(cdb)
        expected = values[command.blocks] if command.blocks else None
        assert commands.lba_and_blocks(cdb) == (values[command.lba], expected), command.name
        assert commands.lba_and_blocks(cdb + b"\xff" * 4) == (values[command.lba], expected), command.name
        assert commands.lba_and_blocks(cdb[:3]) == (None, None)
        seen += 1
    assert seen >= 10


@pytest.mark.parametrize(
    ("cdb", "pair"),
    [
        ("28000000082000000800", (2080, 8)),
        ("08123456000000", (0x123456, 256)),
        ("88000000000100000002000000030000", (0x100000002, 3)),
        ("25000000000000000000", (None, None)),  # a capacity has no address to read from
        ("28", (None, None)),
    ],
)
def test_lba_and_blocks(cdb: str, pair: tuple[int | None, int | None]) -> None:
    """SBC-3 places."""
    assert commands.lba_and_blocks(bytes.fromhex(cdb)) == pair


def test_variable_length_command() -> None:
    """SPC-3 4.3.3: opcode 7Fh tells its own length in byte 7."""
    assert commands.cdb_length(0x7F) is None
    assert commands.cdb_length(0x7F, bytes.fromhex("7f00000000000018")) == 32


@pytest.mark.parametrize("name", ["READ(10)", "read10", "read_10", "Read (10)"])
def test_compose_understands_the_name(name: str) -> None:
    """Case and separators do not matter."""
    assert commands.compose(name, lba=2080, blocks=8).hex() == "28000000082000000800"


def test_compose_every_command_and_read_it_back() -> None:
    """Every name composes to a block that is found under that name and has the length that its opcode demands."""
    for name in commands.names():
        cdb = commands.compose(name)
        command = commands.named(name)
        if name.startswith("UFI "):
            assert ufi.find(cdb[0]) is command and len(cdb) == 12
            continue
        found = commands.find(cdb, min(command.device_types, default=0))
        assert found is command
        assert commands.cdb_length(cdb[0]) in (len(cdb), None)


def test_compose_fields() -> None:
    """Standard field names in any spelling, and the short ones."""
    assert commands.compose("inquiry", EVPD=1, page_code=0x80, allocation_length=252).hex() == "12018000fc00"
    assert commands.compose("mode sense(6)", page_code=0x3F, length=192).hex() == "1a003f00c000"
    assert commands.compose("read capacity 16", length=32).hex() == "9e100000000000000000000000200000"
    assert commands.compose("read 6", lba=1, blocks=256).hex() == "080000010000"


@pytest.mark.parametrize(
    ("name", "fields", "says"),
    [
        ("read", {}, r"did you mean READ\(6\), READ\(10\)"),
        ("reed10", {}, r"did you mean READ\(10\)"),
        ("zzz", {}, "no command is named 'zzz'$"),
        ("read10", {"sector": 1}, "no field 'sector'; it has lba, blocks, RDPROTECT"),
        ("read10", {"lba": 1 << 32}, "does not fit in 32 bits"),
        ("read10", {"blocks": 1 << 16}, "does not fit in 16 bits"),
        ("read6", {"lba": 1 << 21}, "does not fit in 21 bits"),
        ("read10", {"lba": -1}, "does not fit"),
    ],
)
def test_compose_says_what_is_wrong(name: str, fields: dict[str, int], says: str) -> None:
    """One line that names what would be right."""
    with pytest.raises(LayoutError, match=says):
        commands.compose(name, **fields)


@pytest.mark.parametrize(
    ("name", "fields", "length", "out"),
    [
        ("READ(10)", {"blocks": 8}, 4096, False),
        ("WRITE(10)", {"blocks": 8}, 4096, True),
        ("READ(6)", {"blocks": 0}, 256 * 512, False),  # SBC-3 READ (6): 0 means 256
        ("TEST UNIT READY", {}, 0, False),
        ("INQUIRY", {"length": 36}, 36, False),
        ("READ CAPACITY(10)", {}, 8, False),
        ("UNMAP", {"length": 24}, 24, True),  # SBC-3, UNMAP: a parameter list
        ("READ SUB-CHANNEL", {"length": 16}, 16, False),  # the same opcode on a CD unit
        ("SEND KEY", {"length": 16}, 16, True),
        ("REPORT KEY", {"length": 8}, 8, False),
        ("SEND OPC INFORMATION", {"length": 8}, 8, True),
        ("SET STREAMING", {"length": 28}, 28, True),
        ("MODE SELECT(6)", {"length": 24}, 24, True),
        ("PERSISTENT RESERVE OUT", {"length": 24}, 24, True),
        ("WRITE SAME(10)", {"blocks": 100}, 512, True),  # SBC-3, WRITE SAME: one block is sent
        ("WRITE SAME(16)", {"blocks": 100, "NDOB": 1}, 0, False),
        ("VERIFY(10)", {"blocks": 8}, 0, False),  # SBC-3, VERIFY: BYTCHK
        ("VERIFY(10)", {"blocks": 8, "BYTCHK": 1}, 4096, True),
        ("VERIFY(10)", {"blocks": 8, "BYTCHK": 3}, 512, True),
        ("SECURITY PROTOCOL IN", {"length": 2, "INC_512": 1}, 1024, False),
        ("SECURITY PROTOCOL OUT", {"length": 512}, 512, True),
        ("FORMAT UNIT", {}, 0, False),
        # SAT-3: one block of 512 bytes in COUNT, from the device; and to it; 16 bits of COUNT with EXTEND
        ("ATA PASS-THROUGH(16)", {"COUNT_7_0": 1, "T_LENGTH": 2, "BYT_BLOK": 1, "T_DIR": 1}, 512, False),
        ("ATA PASS-THROUGH(12)", {"COUNT_7_0": 1, "T_LENGTH": 2, "BYT_BLOK": 1}, 512, True),
        ("ATA PASS-THROUGH(16)", {"COUNT_15_8": 1, "T_LENGTH": 2, "EXTEND": 1, "T_DIR": 1}, 256, False),
        ("ATA PASS-THROUGH(16)", {"COUNT_7_0": 1}, 0, False),  # T_LENGTH 0: no data
        ("UFI FORMAT UNIT", {"length": 12}, 12, True),  # UFI 1.0 states the length
        ("UFI READ CAPACITY", {}, 8, False),
        ("UFI WRITE(12)", {"blocks": 2}, 1024, True),
    ],
)
def test_wrapper_has_the_length_and_direction_of_the_command(
    name: str, fields: dict[str, int], length: int, out: bool
) -> None:
    """BOT 1.0 5.1: dCBWDataTransferLength and bmCBWFlags bit 7 (1 for data to the host)."""
    cbw = wrap(commands.compose(name, **fields), tag=1, command=commands.named(name))
    assert int.from_bytes(cbw[8:12], "little") == length
    assert cbw[12] == (0x80 if length and not out else 0)


@pytest.mark.parametrize(
    ("name", "fields"),
    [("REASSIGN BLOCKS", {}), ("READ CD", {"blocks": 1}), ("FORMAT UNIT", {"FMTDATA": 1}), ("GET PERFORMANCE", {}),
     ("ATA PASS-THROUGH(16)", {"T_LENGTH": 3})],
)  # fmt: skip
def test_wrapper_does_not_invent_a_length(name: str, fields: dict[str, int]) -> None:
    """Where the command block does not tell the length, the person must."""
    cdb, known = commands.compose(name, **fields), commands.named(name)
    with pytest.raises(LayoutError, match="does not tell the data length"):
        wrap(cdb, tag=1, command=known)
    assert int.from_bytes(wrap(cdb, tag=1, length=4, command=known)[8:12], "little") == 4


def titles(kind: str, text: str) -> list[str]:
    """The titles of what the bytes are read as."""
    return [part.title for part in read_as(kind, bytes.fromhex(text)).parts]


def test_opcode_with_two_meanings_is_shown_in_both() -> None:
    """SBC-3 and MMC-5 give 42h, A1h and A3h different commands; bytes alone do not tell the device type."""
    assert titles("cdb", "42004001000000001000") == ["UNMAP CDB", "READ SUB-CHANNEL CDB"]
    assert titles("cdb", "a10000000000000000000000") == ["ATA PASS-THROUGH(12) CDB", "BLANK CDB"]
    assert titles("cdb", "a30000000000000000240000") == ["SEND KEY CDB"]
    assert "two meanings" in recognise(bytes.fromhex("42004001000000001000"))[0].why


def test_parameter_data_behind_its_command_block() -> None:
    """Data that does not say what it is, is laid out by the command before it; no byte goes without a word."""
    sense = "4d006f00000000001000" + "2f000008" + "000003045d101e00"
    assert titles("cdb", sense) == ["LOG SENSE CDB", "Informational Exceptions log page"]
    assert titles("cdb", "15100000080000000008" + "00000000") == ["MODE SELECT(6) CDB", "MODE SELECT(6) parameter list"]
    assert titles("cdb", "000000000000" + "ff") == ["TEST UNIT READY CDB", "bytes behind it"]


def test_ufi_command_blocks() -> None:
    """UFI 1.0: every command block has 12 bytes; its mode header is that of the 10-byte MODE SENSE."""
    assert [r.kind for r in recognise(bytes.fromhex("120000002400000000000000"))] == ["ufi"]
    assert titles("ufi", "5a000500000000" + "00ff000000" + "0006940000000000") == [
        "MODE SENSE CDB", "MODE SENSE(10) data",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("raw", "kind", "parts"),
    [
        # UAS: a unit and what it carries
        ("01000001000000000000000000000000" "28000000082000000800000000000000", "uas", ["COMMAND IU", "READ(10) CDB"]),
        ("03000007000002000000000000000012" "70000600000000" "0a00000000280000000000", "uas",
         ["SENSE IU", "Fixed format sense data"]),
        ("0400000900000008", "uas", ["RESPONSE IU"]),
        # USB: data that has no layout is not left out; SET_SEL as the kernel's struct usb_set_sel_req has it (ch9.h)
        ("c051010000000400" "01020304", "setup", ["Setup packet", "bytes behind it"]),
        ("0030000000000600" "0a0b0c000d00", "setup", ["Setup packet", "System exit latencies"]),
        ("0c2a040a000a0004b8010000", "descriptors", ["SuperSpeed hub descriptor"]),
        ("060f00000000", None, []),
        # SAT-3: sense data that holds ATA registers; SPC-4: Extended INQUIRY Data; string EEh
        ("700001" "04514003" "0a" "65004fc2" "001d" "00000000", "sense",
         ["Fixed format sense data of ATA PASS-THROUGH"]),
        ("0086003c" + "00" * 60, "vpd", ["Extended INQUIRY Data VPD page"]),
        ("12034d00530046005400310030003000" "2100", "descriptors", ["OS string descriptor"]),
    ],
)  # fmt: skip
def test_bytes_are_told_by_themselves(raw: str, kind: str | None, parts: list[str]) -> None:
    """What the documents fix is enough to know these; nothing is made of bytes that fit nothing."""
    found = recognise(bytes.fromhex(raw))
    assert (found[0].kind if found else None) == kind
    assert [part.title for part in found[0].parts] == parts if found else parts == []


def test_identify_data_is_told_by_its_checksum() -> None:
    """ATA8-ACS, IDENTIFY DEVICE data, word 255: A5h, and the sum of all 512 bytes is zero."""
    data = bytearray(512)
    data[54:58] = b"KSRE"  # words hold text with the first letter in the high byte
    data[510] = 0xA5
    data[511] = -sum(data) & 0xFF
    assert [reading.kind for reading in recognise(bytes(data))] == ["identify"]
    data[511] ^= 1
    assert recognise(bytes(data)) == []
