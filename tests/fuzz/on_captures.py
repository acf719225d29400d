"""What is done with a capture of any bytes: read, shown, followed while it grows, redacted, exported, compared."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path
from typing import Any

from breaking import VERBS, check_account, check_printable, examine, opened, run_verb

from sticktrace.errors import SticktraceError
from sticktrace.session import Capture, Reading
from sticktrace.session import open as open_capture
from sticktrace.transport.items import Exchange


def read_all(data: bytes) -> None:
    """Read to the end, the account checked; one input in eight is shown as well, which takes ten times as long."""
    examine(data, deep=not sum(data) % 8)


def long_word(data: bytes) -> None:
    """Hex text as one word without an end: the CBW first, or nobody would look further."""
    read_all(b"55534243" + data.hex().encode() + data)


def by_verb(data: bytes) -> None:
    """The first byte chooses the verb."""
    if data:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "capture"
            path.write_bytes(data[1:])
            run_verb(path, VERBS[data[0] % len(VERBS)])


def growing(data: bytes) -> None:
    """A file to which is appended while it is followed. The first byte says in how many steps and where."""
    first, rest = data[0] if data else 0, data[1:]
    cuts = sorted({len(rest) * (7 * step + first) // 48 % (len(rest) + 1) for step in range(1 + first % 6)})
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "capture"
        path.write_bytes(rest[: cuts[0]])
        try:
            with open_capture(path) as capture:
                follow(capture, path, rest, cuts)
        except SticktraceError as error:
            assert "\n" not in str(error) and str(error)


def follow(capture: Capture, path: Path, data: bytes, cuts: list[int]) -> None:
    """Read what is there, append, read on. The account balances in the end."""
    reading = capture.reading()
    items = list(reading.more())
    for low, high in zip(cuts, [*cuts[1:], len(data)], strict=True):
        with path.open("ab") as out:
            out.write(data[low:high])
        capture.refresh()
        items += reading.more()
    items += reading.finish()
    check_account(reading, items)


def redacting(data: bytes) -> None:
    """A redacted copy tells of the same exchanges; whatever the capture, the copy can be read if it can."""
    from sticktrace.redaction.copying import redact

    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "copy"
        try:
            with opened(data) as capture:
                before = commands(capture.reading())
                redact(capture, target, key=bytes(32))
                form = capture.form
        except SticktraceError as error:
            assert "\n" not in str(error) and not target.exists()
            return
        if form in ("log", "hex text"):
            examine(target.read_bytes(), deep=False)
            return
        with open_capture(target) as copy:
            assert commands(copy.reading()) == before


def commands(reading: Reading) -> list[tuple[Any, ...]]:
    """What was commanded, and how it ended."""
    exchanges = (item for item in reading if isinstance(item, Exchange))
    return [(x.number, x.time_ns, x.cdb, x.moved, x.status, x.records) for x in exchanges]


def exporting(data: bytes) -> None:
    """As pcap, which can be read again, and as packets."""
    from sticktrace.output import packet_file
    from sticktrace.output.pcap import write

    try:
        with opened(data) as capture:
            if capture.form == "log":
                return
            out = io.BytesIO()
            write(capture.reading(), out)
            if "packets" not in capture.form:
                packet_file.write(capture.reading(), io.BytesIO(), "full")
    except SticktraceError:
        return
    if len(out.getvalue()) > 24:
        assert examine(out.getvalue(), deep=False) is not None


def comparing(data: bytes) -> None:
    """A capture against a part of itself."""
    from sticktrace.comparison.compare import compare
    from sticktrace.comparison.side import Telling
    from sticktrace.output.compare_text import compare_text

    cut = len(data) * 2 // 3
    try:
        with opened(data) as one, opened(data[:cut]) as other:
            for line in compare_text(compare(Telling(one), Telling(other)), everything=True):
                check_printable(line)
    except SticktraceError:
        return
