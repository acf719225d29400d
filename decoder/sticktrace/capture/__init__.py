"""Where bytes come from: files, pipes, text -> records -> transfers. `reader_of` reads anything."""

from __future__ import annotations

from collections.abc import Callable
from itertools import chain, islice
from typing import TYPE_CHECKING, Any

from sticktrace.capture.binary import BinaryReader, decoder_for
from sticktrace.capture.join import AtOnce, Joiner, lacks_empty_halves
from sticktrace.capture.packets import SPEEDS
from sticktrace.capture.payload import Payload
from sticktrace.capture.pcap import MAGICS, PcapWalk
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.source import Source, open_source
from sticktrace.capture.transfer import Piece, Transfer
from sticktrace.capture.unpacking import Progress
from sticktrace.capture.usbmon_stream import FORM, StreamWalk, order_of
from sticktrace.errors import CaptureError

if TYPE_CHECKING:
    from sticktrace.capture.line_patterns import LinePatterns

__all__ = ["Damage", "Payload", "Piece", "Progress", "Reader", "Source", "Transfer", "open_source", "reader_of"]

_PCAPNG = b"\x0a\x0d\x0d\x0a"
_MOST_NAMED = 4
_TRIAL = 512
"""Transfers at the beginning of a recording that tell whether it has empty halves."""

SAMPLE = 1 << 20
"""Bytes of a text in which events are looked for: a console may have said much before they begin."""

ACCEPTED = (
    "pcap or pcapng with link type 189, 220, 249 or 266 (hosts) or 288, 293, 294 or 295 (packets), usbmon text or "
    "binary, hex text (docs/hex-text.md), or the log of a kernel, a boot loader or a board (docs/logs.md)"
)


def reader_of(
    name: str,
    data: Any,
    patterns: LinePatterns | None = None,
    store: Payload | None = None,
    known: int = SAMPLE,
    live: bool = False,
) -> Reader:
    """The reader for these bytes, chosen by what they hold, never by a file name. Lines of text are read by these
    ``patterns``; ``store`` takes the payload of a text, of which only the first ``known`` bytes choose: one that grows
    stays what it was taken for. In one that is read ``live`` no log stands apart. Raises CaptureError with one line
    that says what is accepted."""
    if not len(data):
        raise CaptureError(f"{name}: the capture is empty")
    head = bytes(data[:24])
    if head[:4] in MAGICS:
        return _pcap(name, data, head)
    if head[:4] == _PCAPNG:
        return _pcapng(name, data)
    if order := order_of(data):
        return _joined(lambda join_as: BinaryReader(FORM, data, StreamWalk(order), join_as))
    return _text(name, data, head, patterns, store, known, live)


def _joined(make: Callable[[type[Joiner]], Reader]) -> Reader:
    """A reader that joins halves as the recording needs it; the trial ends with the first empty half."""
    trial = make(Joiner)
    rest = chain.from_iterable(joiner.waiting.values() for joiner in trial.joiners)
    return make(AtOnce if lacks_empty_halves(chain(islice(trial.transfers(), _TRIAL), rest)) else Joiner)


def _text(
    name: str, data: Any, head: bytes, patterns: LinePatterns | None, store: Payload | None, known: int, live: bool
) -> Reader:
    from sticktrace.capture.apart import stands_apart
    from sticktrace.capture.hex_text import HexTextReader, has_wrapper
    from sticktrace.capture.hex_text import looks_like as looks_like_hex
    from sticktrace.capture.line_patterns import STANDARD
    from sticktrace.capture.logs import LogReader, strength
    from sticktrace.capture.text_lines import WRAPPER, as_utf8
    from sticktrace.capture.unread import in_text
    from sticktrace.capture.usbmon_text import UsbmonTextReader
    from sticktrace.capture.usbmon_text import looks_like as looks_like_usbmon

    patterns = patterns or STANDARD
    sample = as_utf8(bytes(data[: min(SAMPLE, known)]))
    # Events first: their data words would pass for hex text.
    if looks_like_usbmon(sample):
        return _joined(lambda join_as: UsbmonTextReader(data, join_as, store, patterns))
    bytes_too = looks_like_hex(sample, patterns)
    # The bytes that a kernel prints of a failed command pass for hex text as well: wrappers tell the two apart.
    if not (bytes_too and WRAPPER.search(sample)):
        weight = strength(sample, patterns.logs)
        if (weight > 1 and not (bytes_too and has_wrapper(sample, patterns))) or (weight == 1 and bytes_too < 2):
            return LogReader(data, patterns.logs)
    if bytes_too:
        return HexTextReader(data, patterns, store, apart=not live and stands_apart(data))
    alike = in_text(sample).words
    raise CaptureError(
        f"{name}: {alike or f'not a form that sticktrace reads (byte 0: {head[:8].hex(chr(32))})'}; it reads {ACCEPTED}"
    )


def _pcap(name: str, data: Any, head: bytes) -> Reader:
    if len(head) < 24:
        raise CaptureError(f"{name}: byte {len(head)}: cut off inside the 24-byte file header; record it again")
    walk = PcapWalk(data)
    if walk.link_type in SPEEDS:
        from sticktrace.capture.packets.reader import PacketReader

        return PacketReader("pcap", data, walk)
    reader = BinaryReader("pcap", data, walk)
    if decoder_for(walk.link_type, reader) is None:
        raise CaptureError(
            f"{name}: byte 20: link type {walk.link_type} is not one that sticktrace reads; it reads {ACCEPTED}"
        )
    return _joined(lambda join_as: BinaryReader("pcap", data, PcapWalk(data), join_as))


def _pcapng(name: str, data: Any) -> Reader:
    from sticktrace.capture.pcapng_reader import PcapngReader, packet_reader, strangers

    try:
        others = strangers(data)
        if not others:
            return packet_reader(data) or _joined(lambda join_as: PcapngReader(data, join_as))
    except CaptureError as error:
        raise CaptureError(f"{name}: {error}") from error
    shown = ", ".join(map(str, others[:_MOST_NAMED])) + (", ..." if len(others) > _MOST_NAMED else "")
    raise CaptureError(
        f"{name}: its packets have link type {shown}, which is not one that sticktrace reads; it reads {ACCEPTED}"
    )
