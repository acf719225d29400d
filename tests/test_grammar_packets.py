"""Layouts of packets: published bytes of USB 2.0 chapter 8, what is wrong said, and nothing else taken for a packet."""

from __future__ import annotations

import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

import probe  # noqa: F401 - puts the workshop on the path
from layouts import check_everything
from sticktrace.cli.main import cli
from sticktrace.codes import pids
from sticktrace.grammar import packets
from sticktrace.grammar.layout import Layout
from sticktrace.storage.recognise import read_as, recognise
from vectors import values_of, words_of
from workshop import bus

FIXED = [
    packets.TOKEN, packets.FRAME, packets.SPLIT, packets.EXTENDED, packets.LINK_POWER, packets.HANDSHAKE,
    packets.PREAMBLE,
]  # fmt: skip


def title(layout: Layout) -> str:
    return layout.title.replace(" ", "-")


@pytest.mark.parametrize("layout", FIXED, ids=title)
@given(data=st.binary(min_size=4, max_size=4))
def test_fixed_packets_cover_every_bit(layout: Layout, data: bytes) -> None:
    check_everything(layout, data[: layout.sizeof()])
    assert all(row.text or row.name.startswith("reserved") for row in layout.outline())


@pytest.mark.parametrize("layout", [packets.DATA, packets.UNKNOWN], ids=title)
@given(data=st.binary(max_size=40))
def test_packets_of_any_length_cover_every_bit(layout: Layout, data: bytes) -> None:
    check_everything(layout, data)


def test_published_tokens() -> None:
    # USB Implementers Forum, "Cyclic Redundancy Checks in USB": address 3Ah, endpoint Ah; CRC 11100 as it is sent
    data = bytes.fromhex("E1 3A 3D")
    values = values_of(packets.TOKEN, data)
    assert (values["PID"], values["ADDR"], values["ENDP"], values["CRC5"]) == (0x1, 0x3A, 0xA, 0b00111)
    assert words_of(packets.TOKEN, data)["CRC5"] == "fits (00111b is 11100 in the order of the wire)"


def test_fields_of_a_split() -> None:
    """Hub 2Ah, port 5, low speed, interrupt, complete (8.4.2.2)."""
    data = bus.split(0x2A, 5, complete=True, low=True, kind=3)
    values = values_of(packets.SPLIT, data)
    assert [values[name] for name in ("Hub Addr", "SC", "Port", "S", "E", "ET")] == [0x2A, 1, 5, 1, 0, 3]
    words = words_of(packets.SPLIT, data)
    assert (words["ET"], words["S"], words["SC"]) == ("interrupt", "low speed", "complete split")
    assert words["CRC5"].startswith("fits")


@pytest.mark.parametrize("payload", [b"", b"\0\1\2\3", bytes(64)])
def test_a_data_packet_accounts_for_its_check(payload: bytes) -> None:
    data = bus.data(pids.DATA1, payload)
    assert values_of(packets.DATA, data)["DATA"] == payload
    assert words_of(packets.DATA, data)["CRC16"] == "fits"
    wrong = data[:-1] + bytes((data[-1] ^ 1,))
    right = int.from_bytes(data[-2:], "little")
    assert words_of(packets.DATA, wrong)["CRC16"] == f"wrong: {right:04X}h would fit"


def test_every_pid_has_a_layout_and_a_name() -> None:
    for pid, known in pids.PIDS.items():
        layout = packets.layout_of(bytes((pid,)))
        assert layout is not None
        assert words_of(layout, bytes((pid,)) + bytes(3))["PID"] == f"{known.name}: {known.text}"
        assert known.clause.startswith(("USB 2.0 8.", "LPM ECN"))
    assert packets.layout_of(b"\x00") is None


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("69 01 E8", ["Token packet"]), ("A5 01 E8", ["Start-of-frame packet"]), ("D2", ["Handshake packet"]),
        ("C3 00 00", ["Data packet"]),
        ("2D 00 10 C3 80 06 00 01 00 00 08 00 EB 94 D2",
         ["Token packet", "Data packet", "Handshake packet", "Setup packet"]),
    ],
)  # fmt: skip
def test_packets_are_told_by_themselves(text: str, names: list[str]) -> None:
    (reading,) = recognise(bytes.fromhex(text))
    assert reading.kind == "packet"
    assert [part.title for part in reading.parts] == names
    assert not any(part.fault for part in reading.parts)


def test_link_power_management_is_told_apart_from_data() -> None:
    extension = b"\xc3" + (0x101 | bus.check(bus.bits_of(0x101, 11), 0x05, 5) << 11).to_bytes(2, "little")
    (reading,) = recognise(bus.token(bus.EXT, 2, 0) + extension + b"\xd2")
    assert [part.title for part in reading.parts][1] == "Link power management token, behind EXT"


def test_a_wrapper_inside_a_packet_is_accounted_for_too() -> None:
    status = b"USBS" + bytes(9)
    (reading,) = recognise(bus.data(pids.DATA0, status))
    assert [part.title for part in reading.parts] == ["Data packet", "Command Status Wrapper"]


def test_a_damaged_token_is_said_to_be_one() -> None:
    (reading,) = recognise(bytes.fromhex("69 01 E9"))
    assert reading.why == "the PID and the length of IN; its check does not fit"


@pytest.mark.parametrize(
    "text",
    [
        "70 00 06 00 00 00 00 0A 00 00 00 00 28 00 00 00 00 00", "80 06 00 01 00 00 12 00", "55 53 42 53 01 00 00 00",
        "12 01 00 02 00 00 00 40 09 12 01 00 31 02 01 02 03 01", "00 00 00 00 00 00", "5A 00", "C3 01 02", "E1",
        "28 00 00 00 00 00 00 00 08 00", "1E 00 00 00 01 00", "4B 00 00 00 00 00", "78 00 00 00",
    ],
)  # fmt: skip
def test_nothing_else_is_taken_for_a_packet(text: str) -> None:
    """Command blocks begin with PIDs too: without a check that fits, no packet is claimed."""
    assert "packet" not in [reading.kind for reading in recognise(bytes.fromhex(text))]


@given(st.binary(min_size=1, max_size=60))
def test_any_bytes_can_be_asked_for_as_a_packet(data: bytes) -> None:
    """Whatever it is: laid out to the last byte."""
    reading = read_as("packet", data)
    assert reading.parts


def test_long_bytes_take_no_time() -> None:
    assert recognise(b"\xc3" + bytes(100_000)) == []
    assert recognise(b"\xd2" * 100_000) == []


def test_explain_from_the_command_line() -> None:
    result = CliRunner().invoke(cli, ["explain", "--table", "69", "01", "E8"])
    assert result.exit_code == 0
    assert "packet: IN, with checks that fit" in result.output
    assert "29 (1Dh)  fits (11101b is 10111 in the order of the wire)" in result.output
