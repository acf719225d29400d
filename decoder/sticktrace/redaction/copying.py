"""A copy of a capture without what is private: file contents, names, serial numbers, strings, other devices' data.

The copy has the same form, the same length, the same records and times; only payload bytes change, in place. Commands,
status, sense, descriptors, FATs and directories stay decodable, so the exchanges and findings stay what they were.
What bytes become is decided in `scramble` and `redact_blocks`; this module decides which bytes.
"""

from __future__ import annotations

import mmap
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from sticktrace.capture.hex_text import HexTextReader
from sticktrace.capture.logs import LogReader
from sticktrace.capture.packets.reader import PacketReader
from sticktrace.capture.usbmon_text import UsbmonTextReader
from sticktrace.redaction.container import blank
from sticktrace.redaction.event_lines import TextPlaces, same_events
from sticktrace.redaction.filler import Keep, Scrambler
from sticktrace.redaction.log_lines import LogCopy
from sticktrace.redaction.packets import PacketCopy
from sticktrace.redaction.records import Spans, check_same, replace_rest
from sticktrace.redaction.run import Redacted, Run
from sticktrace.redaction.texts import hex_lines
from sticktrace.writing.outputs import new_file

if TYPE_CHECKING:
    from sticktrace.session import Capture

__all__ = ["Keep", "Redacted", "redact", "redact_into"]

_CHUNK = 1 << 24


def redact(
    capture: Capture, target: Path, keep: Keep | None = None, *, overwrite: bool = False, key: bytes | None = None
) -> Redacted:
    """Writes a redacted copy of a capture and says what it replaced. ``key`` is only for tests: without it every run
    makes its own. Raises SticktraceError when the target may not be written or the form cannot be redacted."""
    with new_file(target, [capture.source.identity], overwrite) as out:
        return redact_into(capture, out, keep, key)


def redact_into(capture: Capture, out: BinaryIO, keep: Keep | None = None, key: bytes | None = None) -> Redacted:
    """The same into an empty file that is open for writing and reading."""
    make = {LogReader.form: _logged, HexTextReader.form: _rewritten}.get(capture.form, _redacted)
    report = make(capture, out, keep or Keep(), key)
    capture.source.check(len(capture.source.data))  # of a file that was cut short meanwhile not all was looked at
    return report


def _redacted(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Redacted:
    """Changes a copy in place, so that memory does not grow with the capture. What stands in the copy is looked up in
    the capture itself: both have every byte in the same place."""

    def put(at: int, data: bytes) -> None:
        out.seek(at)
        out.write(data)

    data, form = capture.source.data, capture.form
    for at in range(0, len(data), _CHUNK):
        out.write(capture.source.read(at, min(_CHUNK, len(data) - at)))
    packets = isinstance(capture.reading().reader, PacketReader)
    text = TextPlaces(capture, put) if form == UsbmonTextReader.form else None
    if packets:
        run = _of_packets(capture, out, keep, key)
    else:
        run = Run(capture, text.write if text is not None else put, keep, key)
        run.collect()
        run.decide()
    spans = Spans() if packets else Spans(run.places, run.sizes)
    counts = run.report.counts
    if text is not None:
        counts["pieces that are no traffic"] += text.replace_rest(spans, run.scrambler) if not keep.contents else 0
        run.report.console_lines = text.hidden
    elif not keep.contents:
        look = partial(capture.source.check, len(data))
        counts["pieces that are no traffic"] += replace_rest(form, data, spans, run.scrambler, put, look)
    if form == "pcapng":
        counts["words in the container"] += blank(data, put, not keep.strings)
    out.flush()
    with mmap.mmap(out.fileno(), 0, access=mmap.ACCESS_READ) as copy:
        (check_same if text is None else same_events)(form, data, copy)
    return run.report


def _logged(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Redacted:
    """Of a log only what is understood is written, line by line, without what its logger put in front."""
    copy = LogCopy(Scrambler(key), keep)
    for line in copy.lines(capture.reading().reader):
        out.write(line.encode())
    report = Redacted(copy.counts)
    report.console_lines = copy.left_out
    return report


def _of_packets(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Run:
    """A recording of packets: bytes of transfers first, then those of none, and the checks."""
    places: list[PacketCopy] = []
    run = Run(capture, lambda at, data: places[0].put(at, data), keep, key)
    places.append(PacketCopy(run.reading.reader.payload, out))
    run.collect()
    run.decide()
    outside = places[0].finish(capture, None if keep.contents else run.scrambler)
    run.report.counts["packets whose data counted for nothing"] += outside
    return run


def _rewritten(capture: Capture, out: BinaryIO, keep: Keep, key: bytes | None) -> Redacted:
    """Hex text is written anew in the preferred form; what else a console printed could be anything and is left out."""
    capture.skim()
    payload = capture.text_payload()
    run = Run(capture, payload.put, keep, key)
    run.collect()
    run.decide()
    words = LogCopy(run.scrambler, keep)
    for line in hex_lines(capture, payload, words):
        out.write(line.encode())
    run.report.counts += words.counts
    reader = run.reading.reader
    run.report.console_lines = reader.lines_of_words if isinstance(reader, HexTextReader) else 0
    return run.report
