"""Kernel text as it arrives in a bug report: quoted, broken by mail programs, several traces in one, every event twice.
The forms of events are those of the kernel documentation (usbmon); how programs break lines is common practice.
"""

from __future__ import annotations

import re
import struct
import textwrap
from pathlib import Path

import pytest

from conftest import capture_bytes, capture_names
from sticktrace.capture.join import REPEATED
from sticktrace.capture.transfer import BREAK
from sticktrace.capture.usbmon_text import MALFORMED, UsbmonTextReader
from sticktrace.session import Exchange, Reading, Request
from sticktrace.session import open as open_capture

TEXTS = [name for name in capture_names() if name.endswith(".txt")]


def read(text: str) -> tuple[list[tuple[object, ...]], UsbmonTextReader]:
    reader = UsbmonTextReader(text.encode())
    found = []
    for t in [*reader.transfers(), *reader.finish()]:
        data = bytes(reader.payload[t.data_at : t.data_at + t.captured])
        found.append((t.bus, t.address, t.endpoint, t.kind, t.setup, t.requested, t.actual, t.status, data,
                      t.submitted_ns, t.completed_ns, t.records))  # fmt: skip
    return found, reader


def by_words(line: str, width: int) -> list[str]:
    return textwrap.wrap(line, width, break_long_words=False, break_on_hyphens=False)


def by_columns(line: str, width: int) -> list[str]:
    return [line[at : at + width] for at in range(0, len(line), width)]


@pytest.mark.parametrize("quote", ["", "> ", ">> ", "> | "])
@pytest.mark.parametrize("wrap", [by_words, by_columns])
@pytest.mark.parametrize("width", [38, 64, 72, 80, 100])
@pytest.mark.parametrize("name", TEXTS)
def test_broken_lines_are_put_together(name: str, width: int, wrap, quote: str) -> None:  # type: ignore[no-untyped-def]
    text = "\n".join(capture_bytes(name).decode().splitlines()[:200])
    lines = [piece for line in text.splitlines() for piece in wrap(line, width)]
    plain, (broken, reader) = read(text), read("\n".join(quote + line for line in lines))
    assert broken == plain[0]
    assert not reader.skipped and not reader.damage
    assert any("put together again" in sentence for sentence in reader.assumed)
    assert not plain[1].assumed


def test_quote_marks_on_some_pieces_only() -> None:
    """A mail program breaks a quoted line and does not quote the rest."""
    text = capture_bytes(TEXTS[0]).decode()
    lines = [piece for line in text.splitlines() for piece in by_words("> " + line, 72)]
    assert read("\n".join(lines))[0] == read(text)[0]


def test_words_between_the_pieces_are_not_taken_in() -> None:
    whole = (
        "ffff0001 100 S Bo:1:005:2 -115 31 = 55534243 01000000 24000000 80000612 00000024 00000000 00000000 000000\n"
        "ffff0001 200 C Bo:1:005:2 0 31 >\n"
    )
    broken = whole.replace("80000612 ", "80000612\n")
    assert read(broken)[0] == read(whole)[0]
    for noise in ("and then it hangs", "bad luck", "Signed-off, the keeper", "[ 12.5] usb 1-1: reset"):
        found, reader = read(broken.replace("\n00000024", f"\n{noise}\n00000024"))
        assert reader.skipped[MALFORMED] in (1, 2), noise
        assert found[0][8] == bytes.fromhex("55534243010000002400000080000612"), noise


def test_a_line_that_only_looks_like_more_is_left_out() -> None:
    """Behind a whole event nothing is owed."""
    text = "ffff0001 200 C Bi:1:005:1 0 4 = 01020304\n05060708\nffff0001 300 C Bi:1:005:1 0 40 = 01020304\n"
    found, reader = read(text)
    assert [data for *_, data, _, _, _ in found] == [b"\1\2\3\4", b"\1\2\3\4"]
    assert reader.skipped[MALFORMED] == 1 and reader.damage[0].where == "line 2"


def session(start_us: int, address: int = 5) -> str:
    """One command, from a stick at an address."""
    place = f"1:{address:03}"
    return (
        f"ffff1 {start_us} S Bo:{place}:2 -115 31 = 55534243 01000000 00000000 00000600 00000000 00000000 00000000 "
        "000000\n"
        f"ffff1 {start_us + 100} C Bo:{place}:2 0 31 >\n"
        f"ffff1 {start_us + 200} S Bi:{place}:1 -115 13 <\n"
        f"ffff1 {start_us + 300} C Bi:{place}:1 0 13 = 55534253 01000000 00000000 00\n"
    )


WAITS = "ffff9 {} S Ii:1:001:1 -115:2048 4 <\n"
ENDS = "ffff9 {} C Ii:1:001:1 0:2048 1 = 02\n"


@pytest.mark.parametrize(
    ("first", "second", "breaks"),
    [
        (979_000_000, 79_000_000, True),  # 53 minutes of silence over a wrap would be a long time
        (4_095_000_000, 1_000_000, False),  # 2 s over a wrap at 4096 s
        (4_000_000_000, 100_000_000, False),  # 3 minutes
        (100_000_000, 979_000_000, False),
        (100_000_000, 99_900_000, False),  # events of two processors
        (4_294_000_000, 1_000_000, False),  # the older clock of 32 bits: 2 s
        (4_294_000_000, 1_001_000_000, True),
    ],
)
def test_a_step_back_is_a_wrap_or_another_trace(first: int, second: int, breaks: bool) -> None:
    found, reader = read(session(first) + session(second))
    assert [row[3] == BREAK for row in found] == ([False] * 2 + [True] * breaks + [False] * 2)
    assert any("another recording begins" in sentence for sentence in reader.assumed) is breaks
    if breaks:
        assert found[3][9] == found[1][10], "no pause is made up"


def test_what_waited_before_a_wrap_and_ends_behind_it_shows_one_trace() -> None:
    found, _ = read(WAITS.format(500_000_000) + session(979_000_000) + ENDS.format(79_000_000))
    assert BREAK not in [row[3] for row in found]
    assert found[-1][10] == (4_096_000_000 + 79_000_000 - 500_000_000) * 1000
    found, _ = read(WAITS.format(500_000_000) + session(979_000_000) + session(79_000_000))
    assert [row[3] for row in found].index(BREAK) == 3, "what still waits is told before the break"
    assert found[2][7] is None


def test_nothing_is_carried_over_into_another_recording(tmp_path: Path) -> None:
    """The same stick at the same address: two devices, each with its own commands. A command left open at the end of
    the first is not ended by the second."""
    left_open = "\n".join(session(979_000_000).splitlines()[:2])
    path = tmp_path / "two.txt"
    path.write_text(session(978_000_000) + left_open + "\n" + session(79_000_000))
    with open_capture(path) as capture:
        reading = capture.reading()
        exchanges = [item for item in reading if isinstance(item, Exchange)]
    assert [e.status for e in exchanges] == ["passed", "missing", "passed"]
    assert [reading.bus.devices.index(e.device) for e in exchanges] == [0, 0, 1]
    assert not reading.bus.devices[0].present and reading.bus.devices[1].present


# -- every record twice --------------------------------------------------------------------------------------------


def twice(name: str, data: bytes) -> bytes:
    """The capture as two interfaces of the recorder give it: each record again, 3 µs later."""
    if name.endswith(".txt"):
        again = re.compile(rb"^(\w+) (\d+)(?= [SCE] )", re.M)
        later = again.sub(lambda m: m[1] + b" " + str(int(m[2]) + 3).encode(), data)
        pairs = zip(data.splitlines(), later.splitlines(), strict=True)
        return b"".join(line + b"\n" for pair in pairs for line in pair)
    order = "<" if data[:1] in (b"\xd4", b"\x4d") else ">"
    out, at = [data[:24]], 24
    while at < len(data):
        seconds, fraction, captured, length = struct.unpack_from(order + "4I", data, at)
        record = data[at : at + 16 + captured]
        later = struct.pack(order + "4I", seconds, min(fraction + 3, 999_999), captured, length)
        out += [record, later + record[16:]]
        at += 16 + captured
    return b"".join(out)


def account(path: Path) -> tuple[list[tuple[object, ...]], Reading]:
    with open_capture(path) as capture:
        reading = capture.reading()
        rows: list[tuple[object, ...]] = []
        for item in reading:
            if isinstance(item, Exchange):
                rows.append((item.cdb, item.tag, item.moved, item.status, item.residue, item.notes, item.stalled))
            elif isinstance(item, Request):
                rows.append((item.setup, item.result, item.actual))
        return rows, reading


@pytest.mark.parametrize("name", [name for name in capture_names() if name.endswith((".txt", ".pcap"))])
def test_a_bus_recorded_twice_is_one_bus(name: str, tmp_path: Path) -> None:
    once, both = tmp_path / "once", tmp_path / "both"
    once.write_bytes(capture_bytes(name))
    both.write_bytes(twice(name, capture_bytes(name)))
    (rows, single), (same, double) = account(once), account(both)
    assert same == rows
    assert double.records == 2 * single.records
    assert double.reader.skipped[REPEATED] == single.records
    assert any("recorded through two interfaces" in sentence for sentence in double.assumed)
    assert not any("two interfaces" in sentence for sentence in single.assumed)


def test_a_second_submission_of_an_id_that_differs_is_no_repetition() -> None:
    for change in (("-115 36 <", "-115 13 <"), ("110 S", "400110 S"), ("Bi:1:005", "Bi:1:006")):
        first = "ffff1 100 S Bi:1:005:1 -115 36 <\n"
        second = "ffff1 110 S Bi:1:005:1 -115 36 <\n".replace(*change)
        found, reader = read(first + second)
        assert len(found) == 2 and not reader.skipped, change
