"""Further primary commands against SPC-4 (positions from memory, except where the check names another source)."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_everything
from sticktrace.grammar import diagnostics, log_pages, reservations, spc_more, target_ports
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands
from vectors import Block, all_values, check_block, values_of, words_of

ALLOCATION, LIST = "ALLOCATION LENGTH", "PARAMETER LIST LENGTH"
MEMORY = "SPC-4 (from memory)"

BLOCKS_OF_SPC = [
    Block("MODE SELECT(6)", "15 11 00 00 18 00", f"{MEMORY}; PYSCSI below", {"PF": 1, "SP": 1, LIST: 0x18}),
    Block("MODE SELECT(10)", "55 11 0000000000 0018 00", f"{MEMORY}; PYSCSI below", {"PF": 1, "SP": 1, LIST: 0x18}),
    Block("LOG SELECT", "4c 03 cd 00 000000 0010 00", MEMORY,
          {"PCR": 1, "SP": 1, "PC": 3, "PAGE CODE": 0x0D, LIST: 16}),
    Block("LOG SENSE", "4d 00 6f 00 00 0001 00fc 00", MEMORY,
          {"PC": 1, "PAGE CODE": 0x2F, "PARAMETER POINTER": 1, ALLOCATION: 0xFC}),
    Block("RESERVE(6)", "16 00 00 0000 00", "SPC-2 (from memory)"),
    Block("RELEASE(6)", "17 00 00 0000 00", "SPC-2 (from memory)"),
    Block("RESERVE(10)", "56 12 00 07 000000 0008 00", "SPC-2 (from memory)",
          {"3RDPTY": 1, "LONGID": 1, "THIRD-PARTY DEVICE ID": 7, LIST: 8}),
    Block("RELEASE(10)", "57 10 00 07 000000 0000 00", "SPC-2 (from memory)",
          {"3RDPTY": 1, "THIRD-PARTY DEVICE ID": 7}),
    Block("REPORT TARGET PORT GROUPS", "a3 2a 00000000 00000200 00 00", f"{MEMORY}; service action as in scsi_proto.h",
          {"PARAMETER DATA FORMAT": 1, ALLOCATION: 512}),
    Block("SET TARGET PORT GROUPS", "a4 0a 00000000 00000008 00 00", f"{MEMORY}; service action as in scsi_proto.h",
          {LIST: 8}),
    Block("PERSISTENT RESERVE IN", "5e 01 0000000000 00fc 00", MEMORY, {"SERVICE ACTION": 1, ALLOCATION: 0xFC}),
    Block("PERSISTENT RESERVE OUT", "5f 04 05 0000 00000018 00", MEMORY,
          {"SERVICE ACTION": 4, "TYPE": 5, LIST: 24}),
    Block("SECURITY PROTOCOL IN", "a2 ee 0001 80 00 00000001 00 00", MEMORY,
          {"SECURITY PROTOCOL": 0xEE, "SECURITY PROTOCOL SPECIFIC": 1, "INC_512": 1, ALLOCATION: 1}),
    Block("SECURITY PROTOCOL OUT", "b5 01 0001 00 00 00000200 00 00", MEMORY,
          {"SECURITY PROTOCOL": 1, "SECURITY PROTOCOL SPECIFIC": 1, "TRANSFER LENGTH": 512}),
    Block("SEND DIAGNOSTIC", "1d 24 00 0000 00", MEMORY, {"SELF-TEST CODE": 1, "SELFTEST": 1}),
    Block("RECEIVE DIAGNOSTIC RESULTS", "1c 01 00 00fc 00", MEMORY, {"PCV": 1, ALLOCATION: 0xFC}),
    Block("WRITE BUFFER", "3b 05 01 000200 001000 00", MEMORY,
          {"MODE": 5, "BUFFER ID": 1, "BUFFER OFFSET": 0x200, LIST: 0x1000}),
    Block("READ BUFFER", "3c 03 00 000000 000004 00", MEMORY, {"MODE": 3, ALLOCATION: 4}),
    Block("REPORT SUPPORTED OPERATION CODES", "a3 0c 83 12 0001 00000200 00 00",
          f"{MEMORY}; service action as in scsi_proto.h",
          {"RCTD": 1, "REPORTING OPTIONS": 3, "REQUESTED OPERATION CODE": 0x12, "REQUESTED SERVICE ACTION": 1,
           ALLOCATION: 512}),
    Block("REPORT SUPPORTED TASK MANAGEMENT FUNCTIONS", "a3 0d 00 000000 00000004 00 00",
          f"{MEMORY}; service action as in scsi_proto.h", {ALLOCATION: 4}),
]  # fmt: skip


@pytest.mark.parametrize("block", BLOCKS_OF_SPC, ids=str)
def test_command_block(block: Block) -> None:
    """Every command of the module: name, fields, both ways."""
    check_block(block)


def test_every_command_has_a_vector() -> None:
    """No command of the module goes unchecked."""
    assert {block.name for block in BLOCKS_OF_SPC} == {
        command.name for command in (*spc_more.COMMANDS, *target_ports.COMMANDS)
    }


@pytest.mark.parametrize("size", [6, 10])
def test_mode_select_agrees_with_pyscsi(size: int) -> None:
    """Mask and byte of every field that PYSCSI lists for MODE SELECT."""
    module = pytest.importorskip(f"pyscsi.pyscsi.scsi_cdb_modesense{size}")
    layout = commands.named(f"MODE SELECT({size})").cdb
    blank = int.from_bytes(layout.build({}), "big")
    for theirs, (mask, byte) in getattr(module, f"ModeSelect{size}")._cdb_bits.items():
        if theirs == "opcode":
            continue
        ours = theirs.replace("_", " ").upper()
        width = (mask.bit_length() + 7) // 8
        value = mask >> ((mask & -mask).bit_length() - 1)
        changed = int.from_bytes(layout.build({ours: value}), "big") ^ blank
        assert changed == mask << 8 * (size - byte - width), theirs


def data_in(cdb: str, data: bytes) -> Layout:
    """The layout that the vocabulary chooses for this answer."""
    block = bytes.fromhex(cdb)
    command = commands.find(block)
    assert command is not None
    layout = commands.parameter_layout(command, block, data, outgoing=False)
    assert layout is not None
    return layout


def test_mode_select_list() -> None:
    """SPC-4, mode parameter list: header(6) with block descriptor, then pages, as in MODE SENSE (from memory)."""
    data = bytes.fromhex("00 00 00 08 00 000000 00 000200" + "1c0a0006000000000000 0000")
    values = values_of(spc_more.MODE_LIST_6, data)
    assert (values["BLOCK LENGTH"], values["PAGE CODE"], values["MRIE"]) == (512, 0x1C, 6)
    data = bytes.fromhex("0000 00 00 00 00 0000" + "080a04" + "00" * 9)
    assert values_of(spc_more.MODE_LIST_10, data)["WCE"] == 1


TEMPERATURE = bytes.fromhex(
    "0d 00 000c"  # page 0Dh, 12 bytes
    "0000 03 02 00 1e"  # parameter 0: 30 degrees
    "0001 03 02 00 ff"  # parameter 1: no reference temperature
)
EXCEPTIONS = bytes.fromhex(
    "2f 00 0008"  # page 2Fh, 8 bytes
    "0000 03 04 5d 00 1e 00"  # parameter 0: ASC 5Dh, ASCQ 00h, 30 degrees, vendor byte
)


def test_log_pages() -> None:
    """SPC-4, log page format, pages 00h, 0Dh and 2Fh (from memory)."""
    supported = bytes.fromhex("00 00 0003 00 0d 2f")
    assert all_values(data_in("4d004000000000 00fc 00", supported), supported, "PAGE CODE") == [0, 0, 0x0D, 0x2F]
    values_of(log_pages.LOG_SUPPORTED, supported)

    layout = data_in("4d004d00000000 00fc 00", TEMPERATURE)
    values_of(layout, TEMPERATURE)
    assert all_values(layout, TEMPERATURE, "TEMPERATURE") == [30, 255]
    assert words_of(layout, TEMPERATURE)["TEMPERATURE"] == "not available"

    layout = data_in("4d006f00000000 00fc 00", EXCEPTIONS)
    values = values_of(layout, EXCEPTIONS)
    assert values["INFORMATIONAL EXCEPTION ADDITIONAL SENSE CODE"] == 0x5D
    assert values["MOST RECENT TEMPERATURE READING"] == 30


def test_other_log_pages() -> None:
    """An unknown page keeps its parameters; a list with subpages has two bytes an entry (SPC-4, from memory)."""
    counters = bytes.fromhex("03 00 0008 0006 03 04 00000002")
    layout = data_in("4d004300000000 00fc 00", counters)
    assert values_of(layout, counters)["value"] == bytes.fromhex("00000002")
    listed = bytes.fromhex("40 ff 0004 0d00 0d01")
    assert all_values(data_in("4d0040ff000000 00fc 00", listed), listed, "SUBPAGE CODE") == [0xFF, 0, 1]


def test_persistent_reserve_in() -> None:
    """SPC-4, the four service actions (from memory)."""
    keys = bytes.fromhex("00000005 00000010 0000000000000001 0000000000000002")
    assert values_of(data_in("5e00000000000000fc00", keys), keys)["[1]"] == 2
    reservation = bytes.fromhex("00000005 00000010 0000000000000001 00000000 00 05 0000")
    layout = data_in("5e01000000000000fc00", reservation)
    values_of(layout, reservation)
    assert words_of(layout, reservation)["TYPE"] == "Write Exclusive - Registrants Only"
    capabilities = bytes.fromhex("0008 1d 81 ea 01 0000")
    values = values_of(data_in("5e02000000000000fc00", capabilities), capabilities)
    assert [values[name] for name in ("CRH", "SIP_C", "ATP_C", "PTPL_C", "TMV", "PTPL_A")] == [1] * 6
    assert [values[name] for name in ("WR_EX_AR", "EX_AC_RO", "WR_EX_RO", "EX_AC", "WR_EX", "EX_AC_AR")] == [1] * 6
    full = bytes.fromhex("00000005 0000001c 0000000000000001 00000000 01 05 00000000 0001 00000004 aabbccdd")
    values = values_of(data_in("5e03000000000000fc00", full), full)
    assert (values["R_HOLDER"], values["RELATIVE TARGET PORT IDENTIFIER"]) == (1, 1)
    assert values["TRANSPORTID"] == bytes.fromhex("aabbccdd")


def test_persistent_reserve_out_list() -> None:
    """SPC-4, basic PERSISTENT RESERVE OUT parameter list: 24 bytes (from memory); REGISTER AND MOVE has its own."""
    data = bytes.fromhex("0000000000000001 0000000000000002 00000000 01 00 0000")
    values = values_of(reservations.RESERVE_OUT_PARAMETERS, data)
    assert (values["RESERVATION KEY"], values["SERVICE ACTION RESERVATION KEY"], values["APTPL"]) == (1, 2, 1)
    move = bytes.fromhex("5f070500000000001800")
    command = commands.find(move)
    assert command is not None
    assert commands.parameter_layout(command, move, data, outgoing=True) is None


def test_security_protocols() -> None:
    """SPC-4, supported security protocols list: length in bytes 6-7 (from memory)."""
    data = bytes.fromhex("000000000000 0003 00 01 ee")
    layout = data_in("a2000000000000000200 0000", data)
    values_of(layout, data)
    assert words_of(layout, data)["SECURITY PROTOCOL"] == "IEEE 1667"


def test_diagnostic_page_and_buffers() -> None:
    """SPC-4, diagnostic page format and READ BUFFER descriptors (from memory)."""
    assert values_of(diagnostics.DIAGNOSTIC_PAGE, bytes.fromhex("00 00 0001 00"))["PAGE LENGTH"] == 1
    descriptor = bytes.fromhex("09 001000")
    values = values_of(data_in("3c03000000000000 0400", descriptor), descriptor)
    assert (values["OFFSET BOUNDARY"], values["BUFFER CAPACITY"]) == (9, 4096)
    echo = bytes.fromhex("01 00 1000")
    assert values_of(data_in("3c0b000000000000 0400", echo), echo)["BUFFER CAPACITY"] == 4096


ALL_COMMANDS = bytes.fromhex(
    "0000001c"  # COMMAND DATA LENGTH: 28
    "12 00 0000 00 00 0006"  # INQUIRY, no service action
    "9e 00 0010 00 03 0010"  # READ CAPACITY(16): CTDP, SERVACTV
    "000a 00 00 00000005 0000000a"  # timeouts: 5 s, 10 s
)


def test_all_operation_codes() -> None:
    """SPC-4, REPORT SUPPORTED OPERATION CODES, all commands (from memory): timeouts follow where CTDP is 1."""
    layout = data_in("a30c00000000000002000000", ALL_COMMANDS)
    values_of(layout, ALL_COMMANDS)
    assert all_values(layout, ALL_COMMANDS, "OPERATION CODE") == [0x12, 0x9E]
    assert all_values(layout, ALL_COMMANDS, "RECOMMENDED COMMAND TIMEOUT") == [10]


def test_one_operation_code() -> None:
    """SPC-4, REPORT SUPPORTED OPERATION CODES, one command (from memory)."""
    data = bytes.fromhex("00 03 0006 12 01 ff ff ff 00")
    layout = data_in("a30c01120000000002000000", data)
    assert values_of(layout, data)["CDB USAGE DATA"] == data[4:]
    assert words_of(layout, data)["SUPPORT"] == "supported as in the standard"


def test_task_management_functions() -> None:
    """SPC-4: byte 0 from ABORT TASK (bit 7) down, byte 1 I_T NEXUS RESET (bit 0) (from memory)."""
    values = values_of(spc_more.TASK_FUNCTIONS, bytes.fromhex("88 01 0000"))
    assert {name for name, value in values.items() if value == 1} == {"ATS", "LURS", "ITNRS"}


CHOSEN = [
    log_pages.LOG_SUPPORTED, log_pages.LOG_SUPPORTED_SUBPAGES, *log_pages.LOG_PAGES.values(),
    log_pages.LOG_ANY, reservations.READ_KEYS, reservations.READ_RESERVATION, reservations.REPORT_CAPABILITIES,
    reservations.READ_FULL_STATUS, reservations.RESERVE_OUT_PARAMETERS, spc_more.SECURITY_LIST,
    spc_more.BUFFER_DESCRIPTOR,
    spc_more.ECHO_DESCRIPTOR, spc_more.ALL_COMMANDS, spc_more.ONE_COMMAND,
]  # fmt: skip


@pytest.mark.parametrize("layout", CHOSEN, ids=lambda layout: layout.title)
def test_any_bytes(layout: Layout) -> None:
    """Rules of every layout, on any bytes, for the layouts that a choice hides from the general test."""

    @settings(max_examples=20, deadline=None)
    @given(st.binary(max_size=40))
    def check(data: bytes) -> None:
        check_everything(layout, data)

    check()
    for data in (TEMPERATURE, EXCEPTIONS, ALL_COMMANDS):
        check_everything(layout, data)
