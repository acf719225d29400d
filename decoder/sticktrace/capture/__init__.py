"""Where bytes come from: files, pipes, text -> records -> transfers. `reader_of` reads anything."""

from __future__ import annotations

from typing import Any

from sticktrace.capture.binary import BinaryReader, decoder_for
from sticktrace.capture.pcap import MAGICS, PcapWalk
from sticktrace.capture.reader import Damage, Reader
from sticktrace.capture.source import Progress, Source, open_source
from sticktrace.capture.transfer import Piece, Transfer
from sticktrace.errors import CaptureError

__all__ = ["Damage", "Piece", "Progress", "Reader", "Source", "Transfer", "open_source", "reader_of"]

_PCAPNG = b"\x0a\x0d\x0d\x0a"
ACCEPTED = "pcap or pcapng with link type 189, 220 or 249, usbmon text, or hex text (docs/hex-text.md)"


def reader_of(name: str, data: Any) -> Reader:
    """The reader for these bytes, chosen by what they hold, never by a file name. Raises CaptureError with one line
    that says what is accepted."""
    if not len(data):
        raise CaptureError(f"{name}: the capture is empty")
    head = bytes(data[:24])
    if head[:4] in MAGICS:
        return _pcap(name, data, head)
    if head[:4] == _PCAPNG:
        from sticktrace.capture.pcapng import PcapngWalk

        try:
            return BinaryReader("pcapng", data, PcapngWalk(data))
        except CaptureError as error:
            raise CaptureError(f"{name}: {error}") from error
    from sticktrace.capture.hex_text import HexTextReader
    from sticktrace.capture.hex_text import looks_like as looks_like_hex
    from sticktrace.capture.usbmon_text import UsbmonTextReader
    from sticktrace.capture.usbmon_text import looks_like as looks_like_usbmon

    sample = bytes(data[: 64 << 10])
    if looks_like_usbmon(sample):
        return UsbmonTextReader(data)
    if looks_like_hex(sample):
        return HexTextReader(data)
    raise CaptureError(f"{name}: not a form that sticktrace reads (byte 0: {head[:8].hex(' ')}); it reads {ACCEPTED}")


def _pcap(name: str, data: Any, head: bytes) -> Reader:
    if len(head) < 24:
        raise CaptureError(f"{name}: byte {len(head)}: cut off inside the 24-byte file header; record it again")
    walk = PcapWalk(data)
    reader = BinaryReader("pcap", data, walk)
    if decoder_for(walk.link_type, reader) is None:
        raise CaptureError(
            f"{name}: byte 20: link type {walk.link_type} is not one that sticktrace reads; it reads {ACCEPTED}"
        )
    return reader
