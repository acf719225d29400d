"""Multi-media commands against MMC-5 and SFF-8090 (positions from memory), and answers of an emulated CD drive.

Operation codes agree with Linux's cdrom.h; so do the fields of disc information, track information and the features
Random Writable, MRW and Removable Medium, for which it has structures. "Recorded" bytes come from two CD units that are
independent of this project and of each other.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from layouts import check_everything
from sticktrace.grammar import mmc, mmc_audio, mmc_features, mmc_record, mmc_toc
from sticktrace.grammar import mmc_data as data
from sticktrace.grammar.layout import Layout
from sticktrace.storage import commands
from vectors import Block, all_values, check_block, values_of, words_of

MEMORY = "MMC-5 (from memory)"
LBA, START, ALLOCATION, LIST = (
    "LOGICAL BLOCK ADDRESS", "STARTING LOGICAL BLOCK ADDRESS", "ALLOCATION LENGTH", "PARAMETER LIST LENGTH",
)  # fmt: skip

COMMANDS = (*mmc.COMMANDS, *mmc_audio.COMMANDS, *mmc_record.COMMANDS)

BLOCKS_OF_MMC = [
    Block("READ SUB-CHANNEL", "42 02 40 01 0000 00 0010 00", MEMORY,
          {"MSF": 1, "SUBQ": 1, "SUB-CHANNEL DATA FORMAT": 1, ALLOCATION: 16}, 5),
    Block("READ TOC/PMA/ATIP", "43 02 00 000000 aa 000c 00", "recorded: an operating system asks for the lead-out",
          {"MSF": 1, "TRACK/SESSION NUMBER": 0xAA, ALLOCATION: 12}, 5),
    Block("READ TOC/PMA/ATIP", "43 00 00 000000 00 000c 40", "recorded: session information, asked the SFF-8020 way",
          {ALLOCATION: 12, "FORMAT (SFF-8020)": 1}, 5),
    Block("READ TOC/PMA/ATIP", "43 00 02 000000 01 0064 00", MEMORY,
          {"FORMAT": 2, "TRACK/SESSION NUMBER": 1, ALLOCATION: 100}, 5),
    Block("READ HEADER", "44 02 00000010 00 0008 00", "MMC-2 (from memory)", {"MSF": 1, LBA: 16, ALLOCATION: 8}, 5),
    Block("PLAY AUDIO(10)", "45 00 00000010 00 0100 00", MEMORY, {START: 16, "PLAY LENGTH": 256}, 5),
    Block("GET CONFIGURATION", "46 02 0028 000000 0010 00", MEMORY,
          {"RT": 2, "STARTING FEATURE NUMBER": 0x28, ALLOCATION: 16}, 5),
    Block("PLAY AUDIO MSF", "47 00 00 000210 013b20 00", MEMORY,
          {"STARTING S": 2, "STARTING F": 16, "ENDING M": 1, "ENDING S": 59, "ENDING F": 32}, 5),
    Block("GET EVENT STATUS NOTIFICATION", "4a 01 0000 10 0000 0008 00", "recorded: media events, polled",
          {"POLLED": 1, "MEDIA": 1, ALLOCATION: 8}, 5),
    Block("PAUSE/RESUME", "4b 00000000000000 01 00", MEMORY, {"RESUME": 1}, 5),
    Block("STOP PLAY/SCAN", "4e 0000000000000000 00", MEMORY, {}, 5),
    Block("READ DISC INFORMATION", "51 00 0000000000 0022 00", MEMORY, {ALLOCATION: 34}, 5),
    Block("READ TRACK INFORMATION", "52 01 00000001 00 0024 00", MEMORY,
          {"ADDRESS/NUMBER TYPE": 1, "LOGICAL BLOCK ADDRESS/TRACK/SESSION NUMBER": 1, ALLOCATION: 36}, 5),
    Block("RESERVE TRACK", "53 02 000000 00010000 00", MEMORY, {"ARSV": 1, "RESERVATION SIZE": 0x10000}, 5),
    Block("SEND CUE SHEET", "5d 0000000000 000018 00", MEMORY, {"CUE SHEET SIZE": 24}, 5),
    Block("PLAY AUDIO(12)", "a5 00 00000010 00000100 00 00", "MMC-3 (from memory)",
          {START: 16, "PLAY LENGTH": 256}, 5),
    Block("SCAN", "ba 10 00000210 000000 40 00 00", "MMC-3 (from memory)",
          {"DIRECT": 1, "SCAN STARTING ADDRESS": 0x210, "TYPE": 1}, 5),
    Block("SEND DISC STRUCTURE", "bf 01 0000000000 04 0804 00 00", MEMORY,
          {"MEDIA TYPE": 1, "FORMAT": 4, LIST: 0x804}, 5),
    Block("SEND OPC INFORMATION", "54 01 0000000000 0008 00", MEMORY, {"DOOPC": 1, LIST: 8}, 5),
    Block("CLOSE TRACK/SESSION", "5b 01 02 00 0001 000000 00", MEMORY,
          {"IMMED": 1, "CLOSE FUNCTION": 2, "LOGICAL TRACK NUMBER": 1}, 5),
    Block("READ BUFFER CAPACITY", "5c 01 0000000000 000c 00", MEMORY, {"BLOCK": 1, ALLOCATION: 12}, 5),
    Block("BLANK", "a1 11 00000001 0000000000 00", MEMORY,
          {"IMMED": 1, "BLANKING TYPE": 1, "START ADDRESS/TRACK NUMBER": 1}, 5),
    Block("SEND KEY", "a3 000000000000 00 000c 43 00", MEMORY, {LIST: 12, "AGID": 1, "KEY FORMAT": 3}, 5),
    Block("REPORT KEY", "a4 000000000000 00 0008 08 00", MEMORY, {ALLOCATION: 8, "KEY FORMAT": 8}, 5),
    Block("LOAD/UNLOAD MEDIUM", "a6 01 0000 03 000000 02 0000 00", MEMORY,
          {"IMMED": 1, "LOUNLO": 1, "START": 1, "SLOT": 2}, 5),
    Block("SET READ AHEAD", "a7 00 00000010 00000020 00 00", MEMORY,
          {"TRIGGER LOGICAL BLOCK ADDRESS": 16, "READ-AHEAD LOGICAL BLOCK ADDRESS": 32}, 5),
    Block("GET PERFORMANCE", "ac 00 00000000 0000 0010 03 00", MEMORY,
          {"MAXIMUM NUMBER OF DESCRIPTORS": 16, "TYPE": 3}, 5),
    Block("READ DISC STRUCTURE", "ad 00 00000000 00 04 0800 40 00", MEMORY,
          {"FORMAT": 4, ALLOCATION: 2048, "AGID": 1}, 5),
    Block("SET STREAMING", "b6 00000000000000 00 001c 00", MEMORY, {LIST: 28}, 5),
    Block("READ CD MSF", "b9 04 00 000210 000220 f8 01 00", MEMORY,
          {"EXPECTED SECTOR TYPE": 1, "STARTING S": 2, "STARTING F": 16, "ENDING S": 2, "ENDING F": 32, "SYNC": 1,
           "HEADER CODES": 3, "USER DATA": 1, "EDC & ECC": 1, "SUB-CHANNEL SELECTION": 1}, 5),
    Block("SET CD SPEED", "bb 00 ffff 1b80 0000000000 00", MEMORY,
          {"LOGICAL UNIT READ SPEED": 0xFFFF, "LOGICAL UNIT WRITE SPEED": 0x1B80}, 5),
    Block("MECHANISM STATUS", "bd 00000000000000 0008 00 00", MEMORY, {ALLOCATION: 8}, 5),
    Block("READ CD", "be 00 00000010 000001 10 00 00", "recorded: one block of user data at LBA 16",
          {START: 16, "TRANSFER LENGTH": 1, "USER DATA": 1}, 5),
]  # fmt: skip


@pytest.mark.parametrize("block", BLOCKS_OF_MMC, ids=str)
def test_command_block(block: Block) -> None:
    """Every command of the module: name, fields, both ways."""
    check_block(block)


def test_every_command_has_a_vector() -> None:
    """No command of the module goes unchecked."""
    assert {block.name for block in BLOCKS_OF_MMC} == {command.name for command in COMMANDS}


def test_operation_codes_agree_with_kernel_header() -> None:
    """Every operation code stands in Linux's cdrom.h, where it is installed."""
    header = Path("/usr/include/linux/cdrom.h")
    if not header.exists():
        pytest.skip("cdrom.h is not installed")
    known = {int(code, 16) for code in re.findall(r"#define GPCMD_\w+\s+0x([0-9a-f]{2})\b", header.read_text())}
    assert {command.opcode for command in COMMANDS if command.name != "PLAY AUDIO(12)"} <= known


@pytest.mark.parametrize(
    ("cdb", "disk", "cd"),
    [
        ("a1000000000000000000ec00", "ATA PASS-THROUGH(12)", "BLANK"),
        ("42000000000000001800", "UNMAP", "READ SUB-CHANNEL"),
        ("a30c00000000000002000000", "REPORT SUPPORTED OPERATION CODES", "SEND KEY"),
    ],
)
def test_device_type_tells_apart(cdb: str, disk: str, cd: str) -> None:
    """One operation code, two meanings: device type 05h means MMC."""
    assert commands.name(bytes.fromhex(cdb), 0) == disk
    assert commands.name(bytes.fromhex(cdb), 5) == cd


def test_read_cd_agrees_with_pyscsi() -> None:
    """Bytes of READ CD where PYSCSI and MMC agree (PYSCSI gives TRANSFER LENGTH two of its three bytes)."""
    module = pytest.importorskip("pyscsi.pyscsi.scsi_cdb_readcd")
    ours = {"est": "EXPECTED SECTOR TYPE", "dap": "DAP", "lba": START, "c2ei": "C2 ERROR INFORMATION",
            "scsb": "SUB-CHANNEL SELECTION"}  # fmt: skip
    layout = commands.named("READ CD").cdb
    blank = int.from_bytes(layout.build({}), "big")
    for theirs, name in ours.items():
        mask, byte = module.ReadCd._cdb_bits[theirs]
        width = (mask.bit_length() + 7) // 8
        changed = int.from_bytes(layout.build({name: mask >> ((mask & -mask).bit_length() - 1)}), "big") ^ blank
        assert changed == mask << 8 * (12 - byte - width), theirs


def data_in(cdb: str, answer: bytes) -> Layout:
    """The layout that the vocabulary chooses for this answer of a CD unit."""
    block = bytes.fromhex(cdb)
    command = commands.find(block, 5)
    assert command is not None
    layout = commands.parameter_layout(command, block, answer, outgoing=False)
    assert layout is not None
    return layout


LEAD_OUT = bytes.fromhex("000a 01 01 00 16 aa 00 00 00 0f 31")  # recorded
TOC = bytes.fromhex("0012 01 0100 14 01 00 0000000000 16 aa 00 00000483")  # first 12 bytes recorded


def test_toc() -> None:
    """Addresses in the form that the MSF bit asked for; AAh is the lead-out (cdrom.h: CDROM_LEADOUT)."""
    layout = data_in("43020000000 0aa000c00".replace(" ", ""), LEAD_OUT)
    values_of(layout, LEAD_OUT)
    assert words_of(layout, LEAD_OUT)["TRACK START ADDRESS"] == "00:15.49"
    assert words_of(layout, LEAD_OUT)["TRACK NUMBER"] == "lead-out"
    layout = data_in("43000000000000001400", TOC)
    values_of(layout, TOC)
    assert all_values(layout, TOC, "TRACK START ADDRESS") == [0, 0x483]


def test_toc_cut_by_the_allocation_length() -> None:
    """Recorded: 12 bytes of 20 are wanted; the track that came is read, and the rest is said to be missing."""
    account = data_in("43000000000000000c00", TOC[:12]).explain(TOC[:12])
    assert account.used == 12
    assert "16 bytes announced, 8 present" in account.fault
    assert [row.value for row in account.rows if row.name == "TRACK NUMBER"] == [1]


def test_session_information_and_full_toc() -> None:
    """Formats 1 and 2 (MMC-5, from memory)."""
    sessions = bytes.fromhex("000a 01 02 00 14 03 00 00002710")
    assert values_of(data_in("43000100000000001400", sessions), sessions)["LAST COMPLETE SESSION NUMBER"] == 2
    full = bytes.fromhex("000d 01 0101 14 00 a2 000000 00 0f 31 0a")
    values = values_of(data_in("43000200000001006400", full), full)
    assert (values["POINT"], values["PMIN"], values["PSEC"], values["PFRAME"]) == (0xA2, 15, 49, 10)


CONFIGURATION = bytes.fromhex(  # recorded, whole
    "00000024 0000 00080000 03 08 0010 00 00 0008 01 000001 0b 08 00000001 01 0000000003 0b 04 39 000000"
)


def test_configuration() -> None:
    """Features of a CD-ROM drive; byte 4 of Removable Medium as struct rm_feature_desc of cdrom.h has it."""
    layout = data_in("46000000000000004000", CONFIGURATION)
    values = values_of(layout, CONFIGURATION)
    assert all_values(layout, CONFIGURATION, "PROFILE NUMBER") == [0x10, 0x08]
    assert all_values(layout, CONFIGURATION, "FEATURE CODE") == [0, 1, 3]
    words = words_of(layout, CONFIGURATION)
    assert (words["CURRENT PROFILE"], words["LOADING MECHANISM TYPE"]) == ("CD-ROM", "tray")
    assert (values["LOAD"], values["EJECT"], values["LOCK"], values["DBE"]) == (1, 1, 1, 1)


def test_more_features() -> None:
    """Random Writable and MRW as cdrom.h has them; Random Readable and Drive Serial Number (MMC-5, from memory)."""
    features = bytes.fromhex(
        "0010 01 08 00000800 0001 00 00"
        "0020 05 0c 0000ffff 00000800 0010 01 00"
        "0028 01 04 01 000000"
        "0108 03 08" + b"TG0417  ".hex() + "0107 11 04 1f000000"
    )
    answer = (len(features) + 4).to_bytes(4, "big") + bytes.fromhex("0000 0012") + features
    layout = data_in("46000000000000010000", answer)
    values = values_of(layout, answer)
    assert all_values(layout, answer, "LOGICAL BLOCK SIZE") == [2048, 2048]
    assert (values["LAST LOGICAL BLOCK ADDRESS"], values["WRITE"]) == (0xFFFF, 1)
    assert words_of(layout, answer)["SERIAL NUMBER"] == '"TG0417"'
    assert all_values(layout, answer, "VERSION") == [0, 1, 0, 0, 4]


MORE_TOC: list[tuple[str, str, dict[str, Any], str]] = [
    ("03", "000d 00 00" "00 10 00 01 000200 00 051000", {"POINT": 1, "ADR": 1, "PMIN": 5, "PSEC": 16}, ""),
    ("04", "001a 00 00" "b3 00 c8 00 611100 00 4f3b47 00" + "010203 00" * 3,
     {"INDICATIVE TARGET WRITING POWER": 3, "REFERENCE SPEED": 3, "DISC TYPE": 1, "DISC SUB-TYPE": 1,
      "LEAD-IN START MIN": 0x61, "LAST POSSIBLE LEAD-OUT START FRAME": 0x47}, "CD-RW"),
    ("05", "0014 00 00" "80 01 00 00" + b"TIDES\0PIER 1".hex() + "1234",
     {"PACK TYPE INDICATOR": 0x80, "TRACK NUMBER INDICATOR": 1, "CRC": 0x1234}, '"TIDES" | "PIER 1"'),
]  # fmt: skip


@pytest.mark.parametrize(("form", "answer", "fields", "words"), MORE_TOC, ids=["PMA", "ATIP", "CD-TEXT"])
def test_more_forms_of_the_table_of_contents(form: str, answer: str, fields: dict[str, Any], words: str) -> None:
    """Formats 3 to 5 (MMC-5, from memory): PMA, ATIP, CD-TEXT."""
    raw = bytes.fromhex(answer)
    layout = data_in(f"4302{form}000000000064 00", raw)
    values = values_of(layout, raw)
    assert {name: values[name] for name in fields} == fields
    assert not words or words in words_of(layout, raw).values()


def test_cd_text_of_a_hostile_disc() -> None:
    """Control characters and two-byte characters do not reach a terminal."""
    raw = bytes.fromhex("0026 00 0080 00 00 00" + b"\x1b[31mTIDES\0\x9b".hex() + "000080 00 01 80" + "00" * 14)
    told = [row.meaning for row in mmc_toc.CD_TEXT.explain(raw).rows if row.name == "TEXT DATA FIELD"]
    assert "\x1b" not in told[0] and "\x9b" not in told[0] and told[1] == ""


FEATURES: list[tuple[str, dict[str, Any]]] = [
    ("0004 04 04 0f 000000", {"DWP": 1, "SSWPP": 1}),
    ("001d 00 00", {}),
    ("001e 08 04 03 000000", {"C2 FLAGS": 1, "CD-TEXT": 1, "DAP": 0}),
    ("0021 0c 08 ffff 07 02 07 10 0000", {"DATA BLOCK TYPES SUPPORTED": 0xFFFF, "BUF": 1, "NUMBER OF LINK SIZES": 2}),
    ("0023 04 08 09 000000 01 000000", {"RENOSA": 1, "CERT": 1, "RRM": 1}),
    ("0028 00 04 07 000000", {"DVD+WRITE": 1, "DVD+READ": 1, "WRITE": 1}),
    ("0029 00 04 01 05 0010", {"DRT-DM": 1, "NUMBER OF DBI CACHE ZONES": 5, "NUMBER OF ENTRIES": 16}),
    ("002a 04 04 01 03 0000", {"WRITE": 1, "QUICK START": 1, "CLOSE ONLY": 1}),
    ("002c 00 04 0f 000000", {"DSDG": 1, "BLANK": 1}),
    ("002d 08 04 5f 00 3f0f", {"BUF": 1, "R-W RAW": 1, "DATA TYPE SUPPORTED": 0x3F0F}),
    ("002e 00 04 6f 000c00", {"SAO": 1, "R-W": 1, "MAXIMUM CUE SHEET LENGTH": 0xC00}),
    ("002f 08 04 4e 000000", {"BUF": 1, "RDL": 1, "TEST WRITE": 1, "DVD-RW SL": 1}),
    ("0033 00 08 000000 01 10 000000", {"NUMBER OF LINK SIZES": 1}),
    ("0037 00 04 00 3f 0000", {"CD-RW MEDIA SUBTYPE SUPPORT": 0x3F}),
    ("003b 00 04 01 000000", {"WRITE": 1}),
    ("0040 00 1c 00000000" + "0001" * 12, {"BD-RE READ CLASS 0": 1, "BD-ROM READ CLASS 3": 1}),
    ("0041 00 14 01000000" + "0002" * 8, {"SVNR": 1, "BD-R WRITE CLASS 3": 2}),
    ("0080 00 04 01 000000", {"RI": 1}),
    ("0100 03 00", {}),
    ("0101 00 04 01 000000", {"PP": 1}),
    ("0102 00 04 14 0000 05", {"SCC": 1, "SDP": 1, "HIGHEST SLOT NUMBER": 5}),
    ("0103 00 04 07 00 0100", {"SCAN": 1, "SV": 1, "NUMBER OF VOLUME LEVELS": 256}),
    ("0104 00 04 01 000000", {"M5": 1}),
    ("0105 07 04 01 00 0010", {"GROUP 3": 1, "UNIT LENGTH": 16}),
    ("0106 00 04 000000 01", {"CSS VERSION": 1}),
    ("0107 14 04 1f 000000", {"RBCB": 1, "SCS": 1, "MP2A": 1, "WSPD": 1, "SW": 1}),
    ("010a 00 08 46444300 53444300", {"SUPPORTED DCB ENTRY": 0x53444300}),
    ("010b 00 04 000000 01", {"CPRM VERSION": 1}),
    ("010c 03 10" + b"20310417063000".hex() + "0000", {"CENTURY": b"20", "SECOND": b"00"}),
    ("010d 08 04 01 08 04 01", {"BNG": 1, "BLOCK COUNT FOR BINDING NONCE": 8, "NUMBER OF AGIDS": 4, "AACS VERSION": 1}),
]  # fmt: skip


@pytest.mark.parametrize(("feature", "fields"), FEATURES, ids=lambda item: item[:4] if isinstance(item, str) else "")
def test_feature(feature: str, fields: dict[str, Any]) -> None:
    """Features 0004h to 010Dh field by field (MMC-5, from memory), each named."""
    raw = bytes.fromhex(feature)
    values = values_of(mmc_features.FEATURE_DESCRIPTOR, raw)
    assert {name: values[name] for name in fields} == fields
    assert words_of(mmc_features.FEATURE_DESCRIPTOR, raw)["FEATURE CODE"]
    assert "unexplained" not in values


def test_features_of_other_lengths() -> None:
    """A longer feature keeps its known fields and shows the rest; a shorter one stays raw, and the next is found."""
    longer = values_of(mmc_features.FEATURE_DESCRIPTOR, bytes.fromhex("0029 00 08 01 05 0010 aabbccdd"))
    assert (longer["NUMBER OF ENTRIES"], longer["unexplained"]) == (16, bytes.fromhex("aabbccdd"))
    answer = bytes.fromhex("00000012 0000 00080029 00 02 01050104 00 04 01 000000")
    values = values_of(mmc_features.CONFIGURATION, answer)
    assert values["M5"] == 1
    assert all_values(mmc_features.CONFIGURATION, answer, "feature")[0] == b"\x01\x05"


def test_cue_sheet() -> None:
    """Eight bytes a cue (MMC-5, SEND CUE SHEET, from memory)."""
    sheet = bytes.fromhex("41 00 00 14 00 00 00 0041 01 01 10 00 00 02 0041 aa 01 14 00 05 10 20")
    block = bytes.fromhex("5d000000000000001800")
    command = commands.find(block, 5)
    assert command is not None
    layout = commands.parameter_layout(command, block, sheet, outgoing=True)
    assert layout is not None
    assert values_of(layout, sheet)["FRAME"] == 0x20
    assert [row.meaning for row in layout.explain(sheet).rows if row.name == "TNO"] == ["lead-in", "", "lead-out"]


EVENTS: list[tuple[str, dict[str, Any], str]] = [
    ("0004 04 10 00 02 00 00", {"MEDIA PRESENT": 1, "DOOR OR TRAY OPEN": 0}, "no change"),  # recorded
    ("0006 04 10 02 02 00 00", {"MEDIA PRESENT": 1}, "new medium"),
    ("0006 02 16 01 03 0000", {"POWER STATUS": 3}, "power change done"),
    ("0006 01 12 02 80 0001", {"PERSISTENT PREVENTED": 1, "OPERATIONAL CHANGE": 1}, "changed"),
    ("0006 06 42 00 01 000a", {"DEVICE BUSY STATUS": 1, "TIME": 10}, ""),
]


@pytest.mark.parametrize(("answer", "fields", "words"), EVENTS)
def test_events(answer: str, fields: dict[str, Any], words: str) -> None:
    """The class in byte 2 bits 2-0 decides what bytes 4-7 mean (MMC-5, from memory)."""
    raw = bytes.fromhex(answer)
    layout = data_in("4a01000010000000 0800", raw)
    values = values_of(layout, raw)
    assert {name: values[name] for name in fields} == fields
    assert words_of(layout, raw)["EVENT CODE"] == words


def test_no_event_available() -> None:
    """NEA in byte 2 bit 7: the header is all that counts (MMC-5, from memory)."""
    raw = bytes.fromhex("0002 80 00")
    assert values_of(data_in("4a010000100000000800", raw), raw)["NEA"] == 1


def test_disc_information() -> None:
    """Recorded, finalized disc; positions as disc_information of cdrom.h."""
    raw = bytes.fromhex("0020 0e 01 01 01 01 20 00 00 00 00" + "00" * 22)
    layout = data_in("51000000000000002200", raw)
    values = values_of(layout, raw)
    assert (values["STATE OF LAST SESSION"], values["NUMBER OF FIRST TRACK ON DISC"], values["URU"]) == (3, 1, 1)
    assert words_of(layout, raw)["DISC STATUS"] == "finalized"


def test_track_information() -> None:
    """Positions as track_information of cdrom.h; the high bytes after byte 32 are from memory (MMC-5)."""
    raw = bytes.fromhex(
        "0022 01 01 00 04 41 03"  # track mode 4; BLANK, data mode 1; LRA_V, NWA_V
        "00000000 00000010 00001000 00000020 00002000 0000000f"
        "00 00 0000"
    )
    values = values_of(data_in("52010000000100002400", raw), raw)
    assert (values["TRACK MODE"], values["BLANK"], values["DATA MODE"]) == (4, 1, 1)
    assert (values["LRA_V"], values["NWA_V"], values["NEXT WRITABLE ADDRESS"]) == (1, 1, 16)
    assert (values["FREE BLOCKS"], values["LOGICAL TRACK SIZE"], values["LAST RECORDED ADDRESS"]) == (4096, 8192, 15)
    short = bytes.fromhex("001a") + raw[2:28]
    assert values_of(data_in("52010000000100001c00", short), short)["LOGICAL TRACK SIZE"] == 8192


def test_smaller_answers() -> None:
    """READ HEADER, READ SUB-CHANNEL, MECHANISM STATUS, READ BUFFER CAPACITY (MMC-5, from memory)."""
    header = bytes.fromhex("01 000000 00000210")
    assert words_of(data_in("44020000021000000800", header), header)["ABSOLUTE ADDRESS"] == "00:02.16"
    position = bytes.fromhex("00 13 000c 01 14 01 01 00000020 00000010")
    values = values_of(data_in("42004001000000001000", position), position)
    assert (values["ABSOLUTE CD ADDRESS"], values["TRACK RELATIVE CD ADDRESS"]) == (32, 16)
    assert words_of(data.POSITIONS[0], position)["AUDIO STATUS"] == "played to the end"
    mechanism = bytes.fromhex("20 10 000010 01 0004 80000000")
    values = values_of(data_in("bd0000000000000000080000", mechanism), mechanism)
    assert (values["CHANGER STATE"], values["DOOR OPEN"], values["DISC PRESENT"]) == (1, 1, 1)
    capacity = bytes.fromhex("000a 00 01 00000020 00000010")
    assert values_of(data_in("5c010000000000000c00", capacity), capacity)["AVAILABLE LENGTH OF THE BUFFER"] == 16


def test_dvd_structures() -> None:
    """Physical format, layer fields in the order of struct dvd_layer of cdrom.h; other formats stay raw."""
    raw = bytes.fromhex("0015 0000 01 02 01 10 00 030000 00 22d7ff 00 000000 00 aabb")
    values = values_of(data_in("ad0000000000000008000000", raw), raw)
    assert (values["PART VERSION"], values["MAXIMUM RATE"], values["LAYER TYPE"]) == (1, 2, 1)
    assert (values["LINEAR DENSITY"], values["TRACK DENSITY"]) == (1, 0)
    assert values["STARTING PHYSICAL SECTOR NUMBER OF DATA AREA"] == 0x30000
    assert values["END PHYSICAL SECTOR NUMBER OF DATA AREA"] == 0x22D7FF
    copyright_ = bytes.fromhex("0006 0000 01 fe 0000")
    assert values_of(data_in("ad0000000000000108000000", copyright_), copyright_)["structure"] == copyright_[4:]


CHOSEN = [
    *mmc_toc.TOC_FORMS.values(), *data.EVENTS.values(), data.EVENT_HEADER, *data.HEADERS.values(),
    *data.POSITIONS.values(), data.SUB_CHANNEL, data.DISC_INFORMATION, data.DVD_PHYSICAL, data.DISC_STRUCTURE,
    mmc_features.FEATURE_DESCRIPTOR,
]  # fmt: skip


@pytest.mark.parametrize("layout", CHOSEN, ids=lambda layout: layout.title)
def test_any_bytes(layout: Layout) -> None:
    """Rules of every layout, on any bytes, for the layouts that a choice hides from the general test."""

    @settings(max_examples=20, deadline=None)
    @given(st.binary(max_size=44))
    def check(raw: bytes) -> None:
        check_everything(layout, raw)

    check()
    for raw in (TOC, CONFIGURATION):
        check_everything(layout, raw)


def test_toc_asked_for_in_the_old_way() -> None:
    """Linux's cdrom.c asks for the last session with 40h in byte 9, where SFF-8020 had the format (recorded above)."""
    cdb = bytes.fromhex("43000000000000000c40")
    command = commands.find(cdb, 5)
    assert command is not None
    layout = commands.parameter_layout(command, cdb, b"", outgoing=False)
    assert layout is not None and layout.title == "session information"


@pytest.mark.parametrize(
    ("raw", "field", "words"),
    [("0006035e 01800002", "EVENT CODE", "key pressed"), ("0006055e 02000001", "EVENT CODE", "control granted")],
)
def test_events_of_other_hosts_and_keys(raw: str, field: str, words: str) -> None:
    """MMC-5, GET EVENT STATUS NOTIFICATION: external request (class 3) and multi-host (class 5) events, from memory."""
    event = bytes.fromhex(raw)
    told = data.event_data({}, event).explain(event)
    assert told.fault == "" and {row.name: row.meaning for row in told.rows}[field] == words
