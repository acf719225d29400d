"""`sticktrace explain` as a drawing, from captures, hex, sources and consoles; `requests`."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

import geometry
import sticktrace
from conftest import CAPTURES, ROOT
from sticktrace.cli.hex_input import arrays_in
from sticktrace.cli.main import cli
from sticktrace.drawing.time_ladder import time_ladder
from sticktrace.output.exchange_drawing import Extent, exchange_scene
from sticktrace.output.request_account import numbered, request_scene
from sticktrace.output.steps import steps_of

DEMO = ROOT / "traces" / "demo"
CBW = "55534243 05000000 24000000 80 00 06 12 00 00 00 24 00 00000000000000000000"
"""INQUIRY of 36 bytes, tag 5 (BOT 1.0 5.1, SPC-3 6.4.1)."""


def run(*words: str, text: str = "", code: int = 0) -> str:
    found: Result = CliRunner().invoke(cli, list(words), input=text)
    assert found.exit_code == code, found.output
    return found.output


MANY = [*sorted(DEMO.iterdir()), *(CAPTURES / f"{name}.xz" for name in (
    "l19_uas_ehci-usbmon.pcap", "g05_no_medium-usbmon-0u.txt", "l20_hub_uhci-usbmon.pcap",
))]  # fmt: skip


@pytest.mark.parametrize("path", [path for path in MANY if path.exists()], ids=lambda path: path.name)
@pytest.mark.parametrize("width", (60, 100))
def test_exchanges_of_many_captures(path: Path, width: int) -> None:
    """Sound drawings of each exchange, its steps and the requests around it."""
    with sticktrace.open(path) as capture:
        reading = capture.reading()
        for count, item in enumerate(reading):
            if isinstance(item, sticktrace.Exchange) and item.number % 3 == 1 and item.number < 60:
                geometry.check(exchange_scene(item, reading.read, width, Extent(), timed=reading.reader.timed))
                if item.number < 8:
                    steps = steps_of(capture.reading(in_blocks=False), capture.reading(), item.number)
                    assert steps or item.told
                    geometry.check(time_ladder(steps, width))
            elif count > 4000:
                break
        for number, request in numbered(capture.reading()):
            geometry.check(request_scene(request, number, reading.read, width))
            if number > 40:
                break


def test_the_steps_of_a_recovery() -> None:
    """BOT 1.0 6.7.2 case 5 with a STALL: data, STALL, CLEAR_FEATURE(ENDPOINT_HALT), CSW, in this order."""
    lines = run("explain", str(DEMO / "stall-recovery.pcap"), "5", "--ladder").splitlines()
    words = (
        "CBW: INQUIRY",
        "data, 36 B",
        "STALL (endpoint 81h)",
        "CLEAR_FEATURE ENDPOINT_HALT",
        "CSW: passed, residue",
    )
    rows = [next(n for n, line in enumerate(lines) if word in line) for word in words]
    assert rows == sorted(rows)
    assert ["▶" in lines[row] for row in rows] == [True, False, False, True, False]
    assert ["◀" in lines[row] for row in rows] == [False, True, True, False, True]


def test_a_console_with_times_is_drawn_to_time() -> None:
    """The demo's console prints when each transfer ended."""
    assert re.search(r"\+\d+\.\d µs │◀─ CSW: passed", run("explain", str(DEMO / "usb-console.txt"), "1", "--ladder"))


def test_the_steps_over_uas() -> None:
    """UAS 6.2: without streams READ READY goes before the data, and a SENSE IU ends the command."""
    lines = run("explain", str(DEMO / "uas-stick.pcap"), "6", "--ladder").splitlines()
    words = ("COMMAND IU: READ(10)", "READ READY IU", "data, 512 B", "SENSE IU: GOOD")
    rows = [next(n for n, line in enumerate(lines) if word in line) for word in words]
    assert rows == sorted(rows)


@pytest.mark.parametrize("columns", (60, 80, 120))
def test_no_line_is_wider_than_asked(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sticktrace.cli.drawing.IN_A_PIPE", columns)
    drawn = run("explain", str(DEMO / "stall-recovery.pcap"), "5").split("status  ", 1)[1]
    assert max(map(len, drawn.splitlines())) <= columns
    assert run("explain", "--ascii", CBW).isascii()


def test_a_picture(tmp_path: Path) -> None:
    target = tmp_path / "five.svg"
    run("explain", str(DEMO / "stall-recovery.pcap"), "5", "--picture", str(target))
    text = target.read_text()
    assert text.startswith("<svg ") and "prefers-color-scheme:dark" in text and "dCBWTag" in text
    again = CliRunner().invoke(cli, ["explain", CBW, "--picture", str(target)])
    assert again.exit_code and target.read_text() == text, "what exists is not replaced"
    run("explain", CBW, "--picture", str(target), "--overwrite")
    assert target.read_text() != text


def test_all_the_data() -> None:
    path = str(DEMO / "healthy-boot.pcap")
    number = next(line.split()[0] for line in run("exchanges", path, "command:read10", "moved:4096..").splitlines()[1:])
    some, everything = run("explain", path, number), run("explain", path, number, "--all")
    assert "--all draws" in some and "--all draws" not in everything and len(everything) > len(some)
    later = run("explain", path, number, "--from", "1024")
    assert re.search(r"^ 1024\b", later, re.M)


# -- hex, sources, consoles ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("source", (
    "static const uint8_t c[] = {0x28, 0, 0, 0x00, 8, 32, 0, 0, 8, 0};",
    "unsigned char c[10] = { /* READ(10) */ 0x28, 0x00, // opcode\n 0x00, 0x00, 0x08, 0x20, 0x00, 0x00, 0x08, 0x00, };",
    "let c: [u8; 10] = [0x28u8, 0, 0, 0, 8, 0x20, 0, 0, 8, 0];",
    "uint8_t c[10] = { [0] = 0x28, (uint8_t)0, 0, 0, 010, ' ', '\\0', 0, '\\x08', 0U };",
    "const c = &[0b101000, 0, 0, 0, 8, 32, 0, 0, 8, 0];",
))  # fmt: skip
def test_an_array_out_of_source(source: str) -> None:
    """In source a number without 0x is decimal, one that begins with 0 octal (C11 6.4.4.1)."""
    assert arrays_in(source) == [bytes.fromhex("28 00 00 00 08 20 00 00 08 00")]
    assert "LOGICAL BLOCK ADDRESS = 2080 (820h)" in run("explain", "-", text=source)


def test_what_compose_writes_is_read() -> None:
    array = run("compose", "READ(10)", "lba=2080", "blocks=8", "--cbw", "--c")
    assert "LOGICAL BLOCK ADDRESS = 2080 (820h)" in run("explain", "-", text=array)


def test_a_name_in_an_array_is_refused() -> None:
    assert "'OPCODE' in the array is no byte" in run("explain", "-", text="c[] = { OPCODE, 0x00 };", code=2)


@pytest.mark.parametrize(("csw", "said"), (
    ("55534253 06000000 00000000 00", "dCSWTag 00000006h does not answer dCBWTag 00000005h"),
    ("55534253 05000000 00000000 05", "bCSWStatus 05h is reserved"),
    ("55534253 05000000 25000000 00", "dCSWDataResidue 37 is more than the 36"),
))  # fmt: skip
def test_a_status_that_does_not_answer(csw: str, said: str) -> None:
    """BOT 1.0 6.3.1: valid only with the tag of the CBW; 6.3.2: meaningful with status 00h or 01h and a residue of at
    most dCBWDataTransferLength, or with 02h; Table 5.3: all others are reserved."""
    assert said in run("explain", CBW, csw)
    assert "look at" not in run("explain", CBW, "55534253 05000000 00000000 00")
    console = f"OUT 31: {CBW}\nIN 13: {csw}\n"
    assert said in run("explain", "-", text=console)


def test_a_reserved_bit_that_is_set() -> None:
    """BOT 1.0 5.1: bits 7-5 of byte 14 are reserved."""
    assert "byte 14.7-5: reserved, should be zero, holds 26" in run("explain", CBW.replace("00 06 12", "00 26 12"))


@pytest.mark.parametrize(("line", "said"), (
    ("1160-20 us dev 5 SETUP: 02 01 00 00 81 00 00 00 OUT ep 00 0: #03*c7d2", "bRequest = 1: CLEAR_FEATURE"),
    ("1200-20 us dev 5 IN ep 81 13: 55 53 42 53 01 00 00 00 a8 00 00 00 00 #04*821b", "dCSWDataResidue = 168 (A8h)"),
    (f"1240-20 us dev 5 OUT ep 02 31: {bytes.fromhex(CBW).hex(' ')}", "ALLOCATION LENGTH = 36 (24h)"),
    ("1280-20 us dev 5 IN ep 81 0/13 ERROR: #06*bba3", "EPROTO"),
), ids=("setup", "csw", "cbw", "error"))  # fmt: skip
def test_a_line_of_the_transfer_log(line: str, said: str) -> None:
    """The first two and the last as docs/hex-text.md prints them; docs/hook prints such lines."""
    assert said in run("explain", "-", text=line + "\n")


def test_two_arrays_are_held_against_each_other() -> None:
    cbw = ", ".join(f"0x{byte:02x}" for byte in bytes.fromhex(CBW))
    csw = ", ".join(f"0x{byte:02x}" for byte in bytes.fromhex("55534253 09000000 00000000 00"))
    said = run("explain", "-", text=f"uint8_t cbw[] = {{{cbw}}};\nuint8_t csw[] = {{{csw}}};")
    assert "dCSWTag 00000009h does not answer dCBWTag 00000005h" in said


# -- requests ------------------------------------------------------------------------------------------------------


def test_requests_are_listed_selected_and_explained() -> None:
    path = str(DEMO / "stall-recovery.pcap")
    rows = [json.loads(line) for line in run("requests", path, "--json").splitlines()]
    assert [row["number"] for row in rows] == list(range(1, len(rows) + 1))
    with sticktrace.open(path) as capture:
        assert len(rows) == sum(isinstance(item, sticktrace.Request) for item in capture.reading())
    asked = [row for row in rows if row["name"] == "GET_DESCRIPTOR"]
    found = run("requests", path, "request:get_descriptor", "status:done").splitlines()[1:]
    assert [int(line.split()[0][1:]) for line in found] == [row["number"] for row in asked]
    told = run("explain", path, f"r{asked[0]['number']}")
    assert "bRequest = 6: GET_DESCRIPTOR" in told and "bDescriptorType" in told
    assert "-request:get" not in run("requests", path, "-request:get_descriptor")
    assert "did you mean request:?" in str(CliRunner().invoke(cli, ["requests", path, "requst:x"]).exception)
    assert "there is no r99999" in run("explain", path, "r99999", code=2)
