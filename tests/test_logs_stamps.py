"""What loggers put in front of a message, taken off; and the clocks of one text brought onto one."""

from __future__ import annotations

import pytest

from sticktrace.capture.logs.stamps import CALENDAR, DAY, OF_DAY, SECOND, UPTIME, Clock, take_off

SAID = "usb 1-1: USB disconnect, device number 5"
TEN = 10 * 3600 * SECOND

HEADS = [
    ("", -1, ""),
    ("[   12.345678] ", 12_345_678_000, UPTIME),
    ("[12345.678901] ", 12_345_678_901_000, UPTIME),
    ("[    3.5][    T7] ", 3_500_000_000, UPTIME),
    ("[    3.500000] [  T123] ", 3_500_000_000, UPTIME),
    ("<6>", -1, ""),
    ("<4>[   12.345678] ", 12_345_678_000, UPTIME),
    ("kernel: ", -1, ""),
    ("Jan  1 10:00:00 gauge kernel: [   12.345678] ", 12_345_678_000, UPTIME),
    ("Jan  1 10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("Jan  1 10:00:00 kernel: ", TEN, OF_DAY),
    ("10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("Okt 01 10:00:00 gauge kernel: ", TEN, OF_DAY),  # localised months, as loggers of other languages print them
    ("Mär  1 10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("janv. 01 10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("1. Jan 10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("1月 01 10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("сен 01 10:00:00 gauge kernel: ", TEN, OF_DAY),
    ("Sat Jan  1 10:00:00 2022 kern.err kernel: [   12.345678] ", 12_345_678_000, UPTIME),
    ("[Sat Jan  1 10:00:00 2022] ", TEN, OF_DAY),
    ("1970-01-02T10:00:00+01:00 gauge kernel: ", DAY + TEN, CALENDAR),
    ("1970-01-02T10:00:00.250000+01:00 gauge kernel: ", DAY + TEN + SECOND // 4, CALENDAR),
    ("1970-01-02 10:00:00,250 kernel: ", DAY + TEN + SECOND // 4, CALENDAR),
    ("10:00:00.000 -> ", TEN, OF_DAY),
    ("E (12345) ", 12_345_000_000, UPTIME),
    ("[00:01:02.345] - [E/USB] ", 62_345_000_000, OF_DAY),
    ("I/USB: ", -1, ""),
    ("> ", -1, ""),
    ("> > [   12.345678] ", 12_345_678_000, UPTIME),
    ("  \t", -1, ""),
    ("\x1b[33m[   12.345678] \x1b[0m", 12_345_678_000, UPTIME),
]


@pytest.mark.parametrize(("head", "time_ns", "clock"), HEADS, ids=lambda value: repr(value)[:40])
def test_what_stands_in_front_is_taken_off(head: str, time_ns: int, clock: str) -> None:
    found = take_off(head + SAID)
    assert (found.text, found.time_ns, found.clock) == (SAID, time_ns, clock)


@pytest.mark.parametrize("head", ["[72.8...] ", "12.345678] ", ".345678] ", "[...] "])
def test_a_cut_stamp_is_known_for_one(head: str) -> None:
    found = take_off(head + SAID)
    assert found.text == SAID and found.cut and found.time_ns == -1


def test_a_line_of_a_journal_in_json() -> None:
    """Journal export: MESSAGE, and times in microseconds."""
    line = '{"MESSAGE":"usb 1-1: x","_SOURCE_MONOTONIC_TIMESTAMP":"2500000","__REALTIME_TIMESTAMP":"1700000000000000"}'
    found = take_off(line)
    assert (found.text, found.time_ns, found.clock) == ("usb 1-1: x", 2_500_000_000, UPTIME)
    assert take_off('{"MESSAGE":[117,115,98],"__REALTIME_TIMESTAMP":"7"}').text == "usb"
    for broken in ('{"MESSAGE":', '{"MESSAGE":null}', "{}", '{"a":1}', "{" * 5000 + '"'):
        assert take_off(broken).time_ns == -1


@pytest.mark.parametrize(
    "line",
    [
        "Device 0: Vendor: SKERRY Rev: 1.0 Prod: TIDE LOGGER", "  0000:  12 01 00 02", "[0:1] Control data:",
        "sd 6:0:0:0: [sdb] 614400 512-byte logical blocks",
        "(da0:umass-sim0:0:0:0): READ(10). CDB: 28 0 0 0 8 0 0 0 8 0",
        "usb-storage: device scan complete", "25882 bytes read in 44 ms", "Enumeration done.",
    ],
)  # fmt: skip
def test_nothing_of_a_message_is_taken_off(line: str) -> None:
    assert take_off(line).text == line.strip()


def clocked(*lines: str) -> list[int]:
    """The time of each line."""
    clock, times = Clock(), []
    for line in lines:
        clock.take(take_off(line))
        times.append(clock.now_ns)
    return times


def test_times_count_from_the_first() -> None:
    assert clocked("[ 10.0] a", "[ 10.5] b", "c", "[ 12.0] d") == [0, SECOND // 2, SECOND // 2, 2 * SECOND]


def test_a_clock_that_starts_again_goes_on() -> None:
    assert clocked("[ 100.0] a", "[ 101.0] b", "[ 0.5] c", "[ 2.5] d") == [0, SECOND, SECOND, 3 * SECOND]


def test_midnight_is_no_new_start() -> None:
    assert clocked("23:59:59 gauge kernel: a", "00:00:01 gauge kernel: b") == [0, 2 * SECOND]


def test_a_little_disorder_is_no_new_start() -> None:
    """Lines of several processors may be printed out of order."""
    assert clocked("[ 10.0] a", "[ 11.0] b", "[ 10.9] c") == [0, SECOND, SECOND]


def test_two_clocks_in_one_text() -> None:
    assert clocked("10:00:00 gauge kernel: a", "[ 5.0] b", "10:00:02 gauge kernel: c", "[ 7.5] d") == [
        0, 0, 2 * SECOND, 5 * SECOND // 2,
    ]  # fmt: skip
