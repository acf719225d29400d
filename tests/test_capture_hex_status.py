"""Hex text: how a transfer ended, in whatever words a host stack prints it, and what it moved before.

Errno numbers follow the kernel documentation "USB error codes". The words are common practice.
"""

from __future__ import annotations

import pytest

from sticktrace.capture.hex_lines import read_line
from sticktrace.capture.transfer import BULK, GAP, STALL
from test_capture_hex_text import CBW, CSW, INQUIRY, payload, read, shown, spaced

TIMED_OUT, PROTOCOL, CRC, BABBLE, GONE, CANCELLED, SHORT = -110, -71, -84, -75, -19, -104, -121

WORDS = {
    0: ("ok", "OK", "done", "URB_DONE", "xfer_complete", "SUCCESS", "status 0", "ret=0", "rc: 0", "err 0x0", "error 0",
        "passed", "no error", "status: OK", "result 31", "ret 31"),
    STALL: ("STALL", "stalled", "URB_STALL", "XFER_STALLED", "HC_STALL", "status -32", "EPIPE", "ret = -32",
            "status 0xffffffe0", "error: STALL", "ERROR (stall)", "halted"),
    TIMED_OUT: ("timeout", "TIMED OUT", "XFER_TIMEOUT", "time-out", "status -110", "-110", "ETIMEDOUT", "err=-116",
                "error -145", "TMO"),
    PROTOCOL: ("ERROR", "FAILED", "failed", "URB_ERROR", "xfer_failed", "HC_XACTERR", "no response", "status -71",
               "failure", "err", "EPROTO", "transaction error", "not responding"),
    CRC: ("crc error", "HC_DATATGLERR", "CRC", "status -84", "toggle error"),
    BABBLE: ("babble", "HC_BBLERR", "overrun", "DATA_OVERRUN", "status=-75"),
    GONE: ("disconnected", "device gone", "detached", "no device", "-19", "USB_DISCONNECT"),
    CANCELLED: ("cancelled", "canceled", "aborted", "status -104", "XFER_ABORTED", "ABORT"),
    SHORT: ("short packet", "UNDERRUN", "status -121"),
}  # fmt: skip
CASES = [(word, status) for status, words in WORDS.items() for word in words]


@pytest.mark.parametrize(("word", "status"), CASES)
@pytest.mark.parametrize("line", ["IN ep 81 31: {}", "OUT ep 02 31 {}: {bytes}", "OUT ep 02 31: {bytes} {}"])
def test_every_word_for_an_end(line: str, word: str, status: int) -> None:
    assert read_line(line.format(word, bytes=spaced(CBW))).status == status
    text = f"OUT ep 02 31: {spaced(CBW)}\nusbh: {line.format(word, bytes=spaced(CBW))}\nIN ep 81 13: {spaced(CSW)}\n"
    transfers, reader = read(text)
    assert not reader.damage
    if status or "{bytes}" in line:
        assert transfers[1].status == status and transfers[1].requested == 31
        assert transfers[1].actual == (0 if status else 31)


@pytest.mark.parametrize(
    "word", ["NAK", "naked", "URB_NOTREADY", "NOT_READY", "busy", "status -11", "NYET", "XFER_BUSY"]
)
def test_nak_is_no_end(word: str) -> None:
    """USB 2.0 8.4.5: NAK is flow control. A host that prints it asks again; that it gave up shows by what follows."""
    asking = f"200 us IN ep 81 13: {word}\n201 us IN ep 81 0: {word}\n"
    command = f"100 us OUT ep 02 31: {spaced(CBW)}\n"
    transfers, _ = read(f"{command}{asking}900 us IN ep 81 13: {spaced(CSW)}\n")
    assert [(t.status, t.actual, t.submitted_ns, t.completed_ns) for t in transfers] == [
        (0, 31, 0, 0), (0, 13, 100_000, 800_000),
    ]  # fmt: skip
    assert transfers[1].records == (2, 3, 4)
    for other in (command, "SETUP: 21 ff 00 00 00 00 00 00\n"):
        gave_up, _ = read(command + asking + other)
        assert [(t.status, t.actual) for t in gave_up[:2]] == [(0, 31), (TIMED_OUT, 0)]
    asked_once, _ = read(f"{command}IN ep 81 13: {word}\n")
    assert asked_once[1].status == TIMED_OUT
    at_the_end, _ = read(command + asking)
    assert (at_the_end[1].status, at_the_end[1].completed_ns) == (None, -1), "it may be asking still"
    refused, _ = read(f"OUT ep 02 31 {word}: {spaced(CBW)}\nOUT ep 02 31: {spaced(CBW)}\n")
    assert [(t.status, t.actual) for t in refused] == [(0, 31)]


def test_nak_of_one_device_is_not_settled_by_another() -> None:
    text = f"dev 3 IN ep 81 0: NAK\ndev 2 OUT ep 02 31: {spaced(CBW)}\ndev 3 IN ep 81 1: 04\n"
    assert [(t.address, t.status, t.actual) for t in read(text)[0]] == [(2, 0, 31), (3, 0, 1)]


def test_nak_of_a_control_request() -> None:
    setup = "SETUP: 80 06 00 01 00 00 08 00\n"
    naks = "IN ep 80 0: NAK\nIN ep 80 0: NAK\n"
    (request,), _ = read(f"{setup}{naks}IN ep 80 8: 12 01 00 02 00 00 00 40\n")
    assert (request.status, request.actual, request.records) == (0, 8, (1, 2, 3, 4))
    assert [t.status for t in read(setup + naks + setup)[0]] == [TIMED_OUT, None]


@pytest.mark.parametrize(
    "word", ["status 5", "ret=3", "rc 0x1f", "URB_FROZEN", "XFER_7", "result: WEDGED", "status: LINK_LOST", "err = 42"]
)
def test_what_is_not_known_is_no_success(word: str) -> None:
    data = f"IN ep 81 36 {word}: {spaced(INQUIRY)}\nIN ep 81 13: {word}\n"
    transfers, reader = read(f"OUT ep 02 31: {spaced(CBW)}\n\n{data}")
    assert [(t.status, t.actual) for t in transfers] == [(0, 31), (None, 36), (None, 0)]
    assert [damage.where for damage in reader.damage] == ["line 3", "line 4"]
    assert word.split()[-1] in reader.damage[0].what and "not known" in reader.damage[0].what


def test_a_negative_number_that_is_not_known_is_a_failure_and_said() -> None:
    transfers, reader = read(f"OUT ep 02 31: {spaced(CBW)}\nIN ep 81 36: ret -3\n")
    assert [t.status for t in transfers] == [0, PROTOCOL]
    assert "ret -3" in reader.damage[0].what and "failure" in reader.damage[0].what


def test_a_status_proves_itself_by_what_came_with_it() -> None:
    """A whole CSW, or the data of a control request, comes with success only (BOT 1.0 6.3.1, USB 2.0 8.5.3.4)."""
    text = (
        "SETUP: a1 fe 00 00 00 00 01 00\nIN ep 80 1 status 7: 00\n"
        f"OUT ep 02 31 status 7: {spaced(CBW)}\nIN ep 81 36 status 5: {spaced(INQUIRY[:20])}\n"
        f"IN ep 81 13 status 7: {spaced(CSW)}\n"
    )
    transfers, reader = read(text)
    assert [t.status for t in transfers] == [0, 0, None, 0]
    assert any("status 7" in sentence for sentence in reader.assumed) and len(reader.damage) == 1


@pytest.mark.parametrize(
    "line",
    ["read sector failed", "SD write error 5", "msh> send status", "[E/app] reading: not ready",
     "store: write 512 bytes ok", "read 512 bytes failed", "CSW status 1"],
)  # fmt: skip
def test_words_about_anything_else(line: str) -> None:
    text = f"OUT ep 02 31: {spaced(CBW)}\n{line}\nIN ep 81 36: {spaced(INQUIRY)}\n{line}\nIN ep 81 13: {spaced(CSW)}\n"
    transfers, reader = read(text)
    assert shown(text) == [(2, CBW), (0x81, INQUIRY), (0x81, CSW)]
    assert all(t.status == 0 for t in transfers) and not reader.damage


@pytest.mark.parametrize("word", ["status -32", "STALL", "URB_STALL", "STALLED"])
@pytest.mark.parametrize("form", ["IN ep 81 192: {}\n  {data}", "IN ep 81 192 {}: {data}", "IN ep 81 192: {data} {}",
                                  "IN ep 81 24/192 {}: {data}"])  # fmt: skip
def test_data_in_front_of_a_stall(form: str, word: str) -> None:
    """BOT 1.0 6.7.2, case 5: a device may send what it has and then end the phase with STALL."""
    data = bytes(range(24))
    cbw = CBW[:8] + b"\xc0" + CBW[9:]
    text = f"OUT ep 02 31: {spaced(cbw)}\n{form.format(word, data=spaced(data))}\nIN ep 81 13: {spaced(CSW)}\n"
    transfers, reader = read(text)
    assert [(t.status, t.requested, t.actual) for t in transfers] == [(0, 31, 31), (STALL, 192, 24), (0, 13, 13)]
    assert payload(reader, transfers[1]) == data


def test_a_wrapper_is_no_data_in_front_of_a_stall() -> None:
    text = f"OUT ep 02 31: {spaced(CBW)}\nIN ep 81 36: STALL\n{spaced(CSW)}\n"
    transfers, reader = read(text)
    assert [(t.status, t.actual) for t in transfers] == [(0, 31), (STALL, 0), (0, 13)]
    assert payload(reader, transfers[2]) == CSW


def test_what_was_moved_asked_and_kept() -> None:
    text = (
        "IN ep 81 24/192: " + spaced(bytes(24)) + "\nIN ep 81 512 kept 4: 01 02 03 04\n"
        "IN ep 81 512/4096 kept 2 STALL: 09 09\n"
        "OUT ep 02 64/512 kept 2 TIMEOUT: 07 07\nIN ep 81 512 kept 0:\nOUT ep 02 0/31 STALL: " + spaced(CBW) + "\n"
        "IN ep 81 0/13 TIMEOUT:\nIN ep 81 512 kept 8: 00 01 02 03\n"
    )  # fmt: skip
    transfers, reader = read(text)
    assert [(t.actual, t.requested, t.captured, t.status) for t in transfers] == [
        (24, 192, 24, 0), (512, 512, 4, 0), (512, 4096, 2, STALL), (64, 512, 2, TIMED_OUT), (512, 512, 0, 0),
        (0, 31, 31, STALL), (0, 13, 0, TIMED_OUT), (512, 512, 4, 0),
    ]  # fmt: skip
    assert [str(damage) for damage in reader.damage] == ["line 8: 4 of the 8 bytes that were kept are missing"]


def test_a_control_transfer_on_one_line() -> None:
    text = (
        "900-150 us bus 2 dev 7 SETUP: 80 06 00 01 00 00 12 00 IN ep 80 8/18: 12 01 00 02 00 00 00 40\n"
        "1000-20 us dev 7 SETUP: 00 09 01 00 00 00 00 00 OUT ep 00 0:\n"
        "1100-20 us dev 7 SETUP: a1 fe 00 00 00 00 01 00 IN ep 80 0/1 STALL:\n"
    )
    transfers, reader = read(text)
    assert [(t.bus, t.address, t.setup[1], t.actual, t.requested, t.status) for t in transfers] == [
        (2, 7, 6, 8, 18, 0), (0, 7, 9, 0, 0, 0), (0, 7, 0xFE, 0, 1, STALL),
    ]  # fmt: skip
    assert [(t.submitted_ns, t.completed_ns) for t in transfers] == [
        (0, 150_000), (230_000, 250_000), (330_000, 350_000),
    ]  # fmt: skip
    assert not reader.assumed and not reader.skipped


def test_times_with_a_duration() -> None:
    """The time is that of the end; a pipe that waited long ends late and does not turn the clock back."""
    text = (
        f"5000-2000 us OUT ep 02 31: {spaced(CBW)}\n9000000-8999000 us IN ep 83 1: 02\n"
        f"9000100-50 us IN 13: {spaced(CSW)}\n"
    )
    transfers, reader = read(text)
    assert [(t.submitted_ns, t.completed_ns) for t in transfers] == [
        (0, 2_000_000), (0, 8_997_000_000), (8_997_050_000, 8_997_100_000),
    ]  # fmt: skip
    assert not any("clock" in sentence for sentence in reader.assumed)


def test_a_mark_of_lost_transfers() -> None:
    transfers, reader = read(f"OUT ep 02 31: {spaced(CBW)}\nlost 12 transfers\nIN ep 81 13: {spaced(CSW)}\n")
    assert [(t.kind, t.requested, t.records) for t in transfers] == [
        (BULK, 31, (1,)), (GAP, 12, (2,)), (BULK, 13, (3,)),
    ]  # fmt: skip
    assert [damage.where for damage in reader.damage] == ["line 2"] and "12 transfers" in reader.damage[0].what
