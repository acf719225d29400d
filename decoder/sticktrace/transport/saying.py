"""The exchange in what a log says of a command: of such a command only that much is known, maybe not even its block.

Kernels print commands that failed, with their block, result and sense, and none of those that passed. Tag, wrapper,
data and the times of the phases are not printed; the time is that of the message.
"""

from __future__ import annotations

from sticktrace.bus.device import Device
from sticktrace.capture.logs import Statement
from sticktrace.capture.transfer import NO_DATA
from sticktrace.codes import host_status
from sticktrace.transport.items import (
    FAILED,
    MISSING,
    NO_TAG,
    NOT_PRINTED,
    Direction,
    Exchange,
    Field,
    Sense,
    Status,
    Transport,
)
from sticktrace.transport.remarks import Remark, Said

_NAMED = {
    "readcapacity10": b"\x25", "readcapacity16": b"\x9e\x10", "readcapacity": b"\x25", "testunitready": b"\x00",
    "synchronizecache10": b"\x35", "synchronizecache": b"\x35", "startstopunit": b"\x1b", "inquiry": b"\x12",
    "modesense6": b"\x1a", "modesense10": b"\x5a", "read10": b"\x28", "write10": b"\x2a", "read6": b"\x08",
    "write6": b"\x0a", "read16": b"\x88", "write16": b"\x8a", "requestsense": b"\x03", "modesense": b"\x1a",
    "preventallowmediumremoval": b"\x1e", "startunit": b"\x1b", "unitnotready": b"\x00",
}  # fmt: skip
"""Commands by the names that kernels print, letters and digits alone, as the bytes of the block that the name tells."""
_CHECK = ("check condition", "scsi status error", "scsi sense")


def exchange_of(item: Statement, device: Device, lun: int) -> Exchange | None:
    """The exchange, None where the log says neither which command it was nor that the host's layers broke it off."""
    cdb = _block(item)
    sense = _sense(item)
    if not cdb and (sense is not None or item.get("hostbyte", "OK") == "OK"):
        return None
    heard = device.heard
    transport = Transport(heard.transport) if heard and heard.transport in ("BOT", "UAS") else Transport.UNTOLD
    return Exchange(
        0, item.time_ns, device.bus, device.address, lun, NO_TAG, cdb, _direction(cdb), NOT_PRINTED, device,
        status=_status(item, sense), sense=sense, records=item.owned, remarks=_remarks(item),
        end_ns=item.time_ns, transport=transport, not_printed=() if cdb else (Field.BLOCK,),
    )  # fmt: skip


def _block(item: Statement) -> bytes:
    """The command block as far as it is told: whole, its opcode, or what the command's name stands for."""
    cdb: bytes = item.get("cdb", b"")
    if cdb:
        return cdb[:16]
    opcode = item.get("opcode")
    if isinstance(opcode, int):
        return bytes((opcode & 0xFF,))
    for words in (item.get("command", ""), item.get("message", "")):
        plain = "".join(c for c in words.casefold().partition(" failed")[0] if c.isalnum())
        if plain in _NAMED:
            return _NAMED[plain]
    return b""


def _sense(item: Statement) -> Sense | None:
    key = item.get("key")
    if not isinstance(key, int):
        return None
    return Sense(key, item.get("asc", 0), item.get("ascq", 0), 0, NO_DATA)


def _status(item: Statement, sense: Sense | None) -> Status:
    message = item.get("message", "").casefold()
    checked = any(word in message for word in _CHECK) or item.get("status") == 2 or "sense" in message
    return FAILED if sense is not None or checked else MISSING


def _remarks(item: Statement) -> tuple[Remark, ...]:
    found = []
    host = item.get("hostbyte")
    if isinstance(host, str) and host != "OK":
        number = host_status.number_of(host)
        found.append(Remark(Said.HOST_SAYS, (number if number >= 0 else int(host, 16) if host[:2] == "0x" else 0xFF,)))
    elif item.get("gave_up"):
        found.append(Remark(Said.HOST_GAVE_UP))
    if item.get("decimal"):
        found.append(Remark(Said.SENSE_DECIMAL))
    return tuple(found)


def _direction(cdb: bytes) -> Direction:
    """The way of the data that the command asks for."""
    from sticktrace.grammar.vocabulary import find

    command = find(cdb)
    if command is None:
        return Direction.NONE
    if command.medium == "read" or command.data_in is not None:
        return Direction.IN
    return Direction.OUT if command.medium == "write" or command.data_out is not None else Direction.NONE
