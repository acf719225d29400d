"""Transfers written as consoles print them, in the many styles of the trade: what the readers of text are tried with.

Nothing here is any program's own wording; each style is a set of choices (`Style`) that occur, described in
docs/hex-text.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from sticktrace.capture.transfer import BREAK, CONTROL, Transfer

NAMES = {
    (0x80, 6): "Get Descriptor", (0, 5): "Set Address", (0, 9): "Set Configuration", (0xA1, 0xFE): "Class Request",
    (2, 1): "Clear Feature", (0xA3, 0): "Class Request", (0x23, 3): "Class Request", (0x23, 1): "Class Request",
}  # fmt: skip
RESULTS = {0: "OK", -121: "OK", -32: "STALLED", -110: "TIMEOUT"}


def dump(data: bytes) -> Iterator[str]:
    """Offset, sixteen bytes, text between bars."""
    for at in range(0, len(data), 16):
        row = data[at : at + 16]
        text = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)
        yield f"  {at:04X}:  {row.hex(' ').upper():<47}  |{text}|"


def bare_dump(data: bytes) -> Iterator[str]:
    """Bytes alone."""
    for at in range(0, len(data), 16):
        yield f"    {data[at : at + 16].hex(' ')}"


def one_blank_dump(data: bytes) -> Iterator[str]:
    """The text column one blank behind the bytes."""
    for at in range(0, len(data), 16):
        row = data[at : at + 16]
        yield f"{at:08x} {row.hex(' ')} " + "".join(chr(byte) if 32 <= byte < 127 else "." for byte in row)


@dataclass
class Style:
    """Choices of a light host stack's debug build."""

    place: bool = True  # [bus:device] in front of control requests
    place_everywhere: bool = False
    stages: str = "all"  # which ends of a control request are printed: all, data (or status where there is none)
    queued: bool = True  # a line when a transfer is begun
    dump: Callable[[bytes], Iterator[str]] = dump
    data: bool = True  # data phases dumped, not only wrappers
    dump_first: bool = False  # the dump in front of the line that says how it ended
    ended: str = "on EP {ep:02X} with {n} bytes: {result}"
    begun: str = "queue EP {ep:02X} with {n} bytes"
    front: str = ""  # what the logger puts in front of each line
    noise: tuple[str, ...] = ()
    shape: Callable[[str], str] = str
    attach: str = "[0:] USBH Device Attach"


def light_host(transfers: list[Transfer], payload: bytes, style: Style) -> str:
    """The text of a console."""
    lines: list[str] = []
    for number, transfer in enumerate(transfers):
        if transfer.kind == BREAK:
            continue
        data = bytes(payload[transfer.data_at : transfer.data_at + transfer.captured])
        say = _control if transfer.kind == CONTROL else _bulk
        lines += say(transfer, data, style)
        if style.noise:
            lines.append(style.noise[number % len(style.noise)])
    return "".join(style.front.format(n=n) + style.shape(line) + "\n" for n, line in enumerate(lines))


def _result(transfer: Transfer) -> str:
    return RESULTS.get(transfer.status or 0, "FAILED")


def _place(transfer: Transfer, style: Style, control: bool = False) -> str:
    shown = style.place_everywhere or (style.place and control)
    return f"[{transfer.bus}:{transfer.address}] " if shown else ""


def _ended(transfer: Transfer, ep: int, n: int, result: str, style: Style) -> str:
    return _place(transfer, style) + style.ended.format(ep=ep, n=n, result=result)


def _control(transfer: Transfer, data: bytes, style: Style) -> Iterator[str]:
    setup, way = transfer.setup, 0x80 if transfer.incoming else 0
    name = NAMES.get((setup[0], setup[1]), "Control Request")
    yield f"{_place(transfer, style, True)}{name}: {setup.hex(' ').upper()} "
    if transfer.status is None:
        return
    if style.stages == "all":
        yield _ended(transfer, 0, 8, "OK", style)
    if transfer.status not in (0, -121):
        yield _ended(transfer, 0x80, 0, _result(transfer), style)
        return
    if transfer.requested and (transfer.actual or way):
        if data:
            yield f"{_place(transfer, style, True)}Control data:"
            yield from style.dump(data)
        yield _ended(transfer, way, transfer.actual, "OK", style)
        if style.stages != "all":
            return
    yield _ended(transfer, way ^ 0x80 if transfer.requested else 0x80, 0, "OK", style)


def _bulk(transfer: Transfer, data: bytes, style: Style) -> Iterator[str]:
    wrapper = data[:4] in (b"USBC", b"USBS")
    shown = list(style.dump(data)) if data and (wrapper or style.data) else []
    out = not transfer.endpoint & 0x80
    if style.queued or transfer.status is None:
        yield _place(transfer, style) + style.begun.format(ep=transfer.endpoint, n=max(0, transfer.requested))
        if out and not style.dump_first:
            yield from shown
            shown = []
    if transfer.status is None:
        return
    if style.dump_first:
        yield from shown
    yield _ended(transfer, transfer.endpoint, transfer.actual, _result(transfer), style)
    if not style.dump_first:
        yield from shown
