"""What multi-media commands return (MMC-5; from memory): events, disc and track information, disc structures.

Tables of contents are in `mmc_toc`, features in `mmc_features`. Clauses name the table by its title; field positions of
disc and track information agree with the structures of Linux's cdrom.h.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from construct import Bytes, Construct, Container

from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.choice import RAW, Choice
from sticktrace.grammar.layout import Bits, Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.mmc_toc import address, adr_control, length, time_words

DVD_FORMATS = {0x00: "physical format", 0x01: "copyright", 0x02: "disc key", 0x03: "BCA", 0x04: "manufacturing"}
"""FORMAT values of READ DISC STRUCTURE for a DVD."""

MEDIA_TYPES = {0: "DVD and HD DVD", 1: "BD"}
"""MEDIA TYPE values of READ and SEND DISC STRUCTURE."""


# -- GET EVENT STATUS NOTIFICATION ---------------------------------------------------------------------------------

_EVENT = "MMC-5, GET EVENT STATUS NOTIFICATION command"
EVENT_CLASSES = {
    0: "none", 1: "operational change", 2: "power management", 3: "external request", 4: "media", 5: "multi-host",
    6: "device busy",
}  # fmt: skip
"""NOTIFICATION CLASS values."""

_MEDIA_EVENTS = {
    0: "no change", 1: "eject button pressed", 2: "new medium", 3: "medium removed", 4: "medium change requested",
    5: "background format done", 6: "background format restarted",
}  # fmt: skip
_OPERATIONAL_EVENTS = {0: "no change", 1: "change requested", 2: "changed"}
_POWER_EVENTS = {0: "no change", 1: "power change done", 2: "power change failed"}
_REQUEST_EVENTS = {0: "no change", 1: "key pressed", 2: "key released", 3: "request received"}
_HOST_EVENTS = {0: "no change", 1: "control requested", 2: "control granted", 3: "control released"}
_POWER_STATES = {1: "active", 2: "idle", 3: "standby", 4: "sleep"}


def _event_code(names: Mapping[int, str] | None = None) -> Bits:
    return bits(1, spare(4), part("EVENT CODE", 4, "what happened", meaning=names))


def _event(title: str, *fields: Construct) -> Layout:
    return Layout(
        title, _EVENT,
        length("EVENT DESCRIPTOR LENGTH"),
        bits(1, part("NEA", 1, "no event of the classes asked for is supported"), spare(4),
             part("NOTIFICATION CLASS", 3, "what the event below is", meaning=EVENT_CLASSES)),
        flags(*(
            (bit, f"{EVENT_CLASSES[bit].upper()} CLASS", "the device has events of this class")
            for bit in range(6, 0, -1)
        )),
        *fields,
    )  # fmt: skip


EVENT_HEADER = _event("event status", field("event", RAW, "set by the class"))
EVENTS: dict[int, Layout] = {
    1: _event(
        "operational change event",
        _event_code(_OPERATIONAL_EVENTS),
        bits(1, part("PERSISTENT PREVENTED", 1, "locked for good"), spare(3),
             part("OPERATIONAL STATUS", 4, "whether it can work")),
        number("OPERATIONAL CHANGE", 2, "what changed"),
    ),
    2: _event(
        "power management event",
        _event_code(_POWER_EVENTS),
        number("POWER STATUS", 1, "state of power", meaning=_POWER_STATES),
        reserved(2),
    ),
    3: _event(
        "external request event",
        _event_code(_REQUEST_EVENTS),
        bits(1, part("PERSISTENT PREVENTED", 1, "locked for good"), spare(3),
             part("EXTERNAL REQUEST STATUS", 4, "whether it can take requests")),
        number("EXTERNAL REQUEST", 2, "which request"),
    ),
    4: _event(
        "media event",
        _event_code(_MEDIA_EVENTS),
        flags((1, "MEDIA PRESENT", "a medium is in"), (0, "DOOR OR TRAY OPEN", "the door or tray is open")),
        number("START SLOT", 1, "of a changer"),
        number("END SLOT", 1, "of a changer"),
    ),
    5: _event(
        "multi-host event",
        _event_code(_HOST_EVENTS),
        bits(1, part("PERSISTENT PREVENTED", 1, "locked for good"), spare(3),
             part("MULTI-HOST STATUS", 4, "whether it can take requests")),
        number("MULTI-HOST PRIORITY", 2, "which request"),
    ),
    6: _event(
        "device busy event",
        _event_code(),
        number("DEVICE BUSY STATUS", 1, "0 where it is free"),
        number("TIME", 2, "in 100 ms until it is free"),
    ),
}  # fmt: skip
"""GET EVENT STATUS NOTIFICATION data by NOTIFICATION CLASS."""


def event_data(_values: Mapping[str, Any], data: bytes) -> Layout:
    """The layout of an event by its class, or the bare header where no event or another class came back."""
    if len(data) < 8 or data[2] & 0x80:
        return EVENT_HEADER
    return EVENTS.get(data[2] & 7, EVENT_HEADER)


# -- disc and track information ------------------------------------------------------------------------------------

_DISC_STATUS = {0: "empty", 1: "incomplete: can be appended", 2: "finalized", 3: "other"}
_DISC_TYPES = {0x00: "CD-DA or CD-ROM", 0x10: "CD-I", 0x20: "CD-ROM XA", 0xFF: "undefined"}

DISC_INFORMATION = Layout(
    "disc information", "MMC-5, READ DISC INFORMATION command",
    length("DISC INFORMATION LENGTH"),
    bits(1, part("DISC INFORMATION DATA TYPE", 3, "0 for standard information"), part("ERASABLE", 1, "can be erased"),
         part("STATE OF LAST SESSION", 2, "0 empty, 1 incomplete, 3 complete"),
         part("DISC STATUS", 2, "state of the disc", meaning=_DISC_STATUS)),
    number("NUMBER OF FIRST TRACK ON DISC", 1, "track"),
    number("NUMBER OF SESSIONS (LSB)", 1, "low byte"),
    number("FIRST TRACK NUMBER IN LAST SESSION (LSB)", 1, "low byte"),
    number("LAST TRACK NUMBER IN LAST SESSION (LSB)", 1, "low byte"),
    bits(1, part("DID_V", 1, "identification valid"), part("DBC_V", 1, "bar code valid"),
         part("URU", 1, "unrestricted use"), part("DAC_V", 1, "application code valid"), spare(1),
         part("DBIT", 1, "dirty"), part("BG FORMAT STATUS", 2, "state of a background format")),
    number("DISC TYPE", 1, "kind of disc", meaning=_DISC_TYPES),
    number("NUMBER OF SESSIONS (MSB)", 1, "high byte"),
    number("FIRST TRACK NUMBER IN LAST SESSION (MSB)", 1, "high byte"),
    number("LAST TRACK NUMBER IN LAST SESSION (MSB)", 1, "high byte"),
    number("DISC IDENTIFICATION", 4, "valid where DID_V is 1"),
    field("LAST SESSION LEAD-IN START ADDRESS", Bytes(4), "minutes, seconds, frames", meaning=time_words),
    field("LAST POSSIBLE LEAD-OUT START ADDRESS", Bytes(4), "minutes, seconds, frames", meaning=time_words),
    field("DISC BAR CODE", Bytes(8), "valid where DBC_V is 1"),
    number("DISC APPLICATION CODE", 1, "valid where DAC_V is 1"),
    number("NUMBER OF OPC TABLES", 1, "tables that follow"),
    field("OPC tables", Bounded(lambda c: 8 * c["NUMBER OF OPC TABLES"], Series(Layout(
        "OPC table entry", "MMC-5, READ DISC INFORMATION command",
        number("SPEED", 2, "1000 bytes per second"), field("OPC VALUES", Bytes(6), "set by the vendor"),
    ))), "power calibration"),
)  # fmt: skip


_TRACK_INFORMATION = "MMC-5, READ TRACK INFORMATION command"


def _track_tail(*later: Construct) -> Layout:
    last = number("LAST RECORDED ADDRESS", 4, "valid where LRA_V is 1")
    return Layout("track information from byte 28", _TRACK_INFORMATION, last, *later)


_TRACK_TAILS = {
    30: _track_tail(),
    34: _track_tail(
        number("LOGICAL TRACK NUMBER (MSB)", 1, "high byte"),
        number("SESSION NUMBER (MSB)", 1, "high byte"),
        reserved(2),
    ),
}


def _later_track_fields(values: Container, _coming: Any) -> Construct:
    """Later editions printed longer tables: the length tells which."""
    fitting = [tail for size, tail in _TRACK_TAILS.items() if size <= values["TRACK INFORMATION LENGTH"]]
    return fitting[-1] if fitting else RAW


TRACK_INFORMATION = Layout(
    "track information", _TRACK_INFORMATION,
    length("TRACK INFORMATION LENGTH"),
    number("LOGICAL TRACK NUMBER (LSB)", 1, "low byte"),
    number("SESSION NUMBER (LSB)", 1, "low byte"),
    reserved(1),
    bits(1, part("LJRS", 2, "layer jump recording"), part("DAMAGE", 1, "damaged"), part("COPY", 1, "a copy"),
         part("TRACK MODE", 4, "as in the Q sub-channel")),
    bits(1, part("RT", 1, "reserved track"), part("BLANK", 1, "nothing written"), part("PACKET/INC", 1, "in packets"),
         part("FP", 1, "packets of fixed size"), part("DATA MODE", 4, "mode of the data")),
    flags((1, "LRA_V", "last recorded address valid"), (0, "NWA_V", "next writable address valid")),
    number("LOGICAL TRACK START ADDRESS", 4, "block"),
    number("NEXT WRITABLE ADDRESS", 4, "valid where NWA_V is 1"),
    number("FREE BLOCKS", 4, "blocks"),
    number("FIXED PACKET SIZE/BLOCKING FACTOR", 4, "blocks"),
    number("LOGICAL TRACK SIZE", 4, "blocks"),
    field("from byte 28", Bounded(lambda c: c["TRACK INFORMATION LENGTH"] - 26, Choice(_later_track_fields)),
          "later fields of the table"),
)  # fmt: skip

# -- the smaller answers -------------------------------------------------------------------------------------------


def _read_header(msf: int) -> Layout:
    return Layout(
        "READ HEADER data", "MMC-2, READ HEADER command",
        number("CD-ROM DATA MODE", 1, "0 empty, 1 mode 1, 2 mode 2"), reserved(3), address("ABSOLUTE ADDRESS", msf),
    )  # fmt: skip


HEADERS: dict[int, Layout] = {msf: _read_header(msf) for msf in (0, 1)}
"""READ HEADER data by the MSF bit."""

_SUB = "MMC-3, READ SUB-CHANNEL command"
_AUDIO = {
    0x00: "not supported", 0x11: "playing", 0x12: "paused", 0x13: "played to the end", 0x14: "stopped by an error",
    0x15: "none",
}  # fmt: skip


def _sub_head() -> tuple[Construct, ...]:
    return (
        reserved(1),
        number("AUDIO STATUS", 1, "what the player does", meaning=_AUDIO),
        length("SUB-CHANNEL DATA LENGTH"),
    )


SUB_CHANNEL = Layout(
    "READ SUB-CHANNEL data", _SUB, *_sub_head(),
    field("sub-channel data", Bounded(lambda c: c["SUB-CHANNEL DATA LENGTH"], RAW), "set by the format"),
)  # fmt: skip


def _position(msf: int) -> Layout:
    return Layout(
        "current position", _SUB, *_sub_head(),
        number("SUB-CHANNEL DATA FORMAT CODE", 1, "1 for the current position"),
        adr_control(),
        number("TRACK NUMBER", 1, "where it is"),
        number("INDEX NUMBER", 1, "where it is"),
        address("ABSOLUTE CD ADDRESS", msf),
        address("TRACK RELATIVE CD ADDRESS", msf),
    )  # fmt: skip


POSITIONS: dict[int, Layout] = {msf: _position(msf) for msf in (0, 1)}
"""READ SUB-CHANNEL current position data by the MSF bit."""

_CHANGER = {0: "ready", 1: "loading", 2: "unloading", 3: "initializing"}

MECHANISM_STATUS = Layout(
    "MECHANISM STATUS data", "MMC-5, MECHANISM STATUS command",
    bits(1, part("FAULT", 1, "the changer failed"),
         part("CHANGER STATE", 2, "what it does", meaning=_CHANGER),
         part("CURRENT SLOT (LOW)", 5, "low bits")),
    bits(1, part("MECHANISM STATE", 3, "what the drive does", meaning={0: "idle", 1: "playing", 2: "scanning",
                                                                       3: "host activity", 7: "not known"}),
         part("DOOR OPEN", 1, "the door or tray is open"), spare(1), part("CURRENT SLOT (HIGH)", 3, "high bits")),
    number("CURRENT LBA", 3, "block"),
    bits(1, spare(2), part("NUMBER OF SLOTS AVAILABLE", 6, "slots")),
    number("LENGTH OF SLOT TABLES", 2, "bytes"),
    field("slots", Bounded(lambda c: c["LENGTH OF SLOT TABLES"], Series(Layout(
        "slot table", "MMC-5, MECHANISM STATUS command",
        bits(1, part("DISC PRESENT", 1, "a disc is in"), spare(6), part("CHANGE", 1, "changed since last asked")),
        reserved(3),
    ))), "one per slot"),
)  # fmt: skip

BUFFER_CAPACITY = Layout(
    "READ BUFFER CAPACITY data", "MMC-5, READ BUFFER CAPACITY command",
    length("DATA LENGTH"),
    reserved(1),
    flags((0, "BLOCK", "counted in blocks")),
    number("LENGTH OF THE BUFFER", 4, "bytes or blocks"),
    number("AVAILABLE LENGTH OF THE BUFFER", 4, "bytes or blocks"),
)  # fmt: skip

_STRUCTURE = "MMC-5, READ DISC STRUCTURE command"
DISC_STRUCTURE = Layout(
    "disc structure", _STRUCTURE,
    length("DISC STRUCTURE DATA LENGTH"),
    reserved(2),
    field("structure", Bounded(lambda c: c["DISC STRUCTURE DATA LENGTH"] - 2, RAW), "set by the format"),
)  # fmt: skip


def _sector(name: str) -> tuple[Construct, ...]:
    return (reserved(1), number(name, 3, "physical sector number"))


_BOOKS = {
    0: "DVD-ROM", 1: "DVD-RAM", 2: "DVD-R", 3: "DVD-RW", 9: "DVD+RW", 10: "DVD+R", 13: "DVD+RW dual layer",
    14: "DVD+R dual layer",
}  # fmt: skip

_LAYER = (
    bits(1, part("DISC CATEGORY", 4, "book type", meaning=_BOOKS), part("PART VERSION", 4, "book version")),
    bits(1, part("DISC SIZE", 4, "size", meaning={0: "120 mm", 1: "80 mm"}), part("MAXIMUM RATE", 4, "read rate")),
    bits(1, spare(1), part("NUMBER OF LAYERS", 2, "layers, less one"),
         part("TRACK PATH", 1, "of two layers", meaning={0: "parallel", 1: "opposite"}),
         part("LAYER TYPE", 4, "what the layer holds")),
    bits(1, part("LINEAR DENSITY", 4, "code"), part("TRACK DENSITY", 4, "code")),
    *_sector("STARTING PHYSICAL SECTOR NUMBER OF DATA AREA"),
    *_sector("END PHYSICAL SECTOR NUMBER OF DATA AREA"),
    *_sector("END PHYSICAL SECTOR NUMBER IN LAYER 0"),
    flags((7, "BCA", "a burst cutting area is there")),
)  # fmt: skip

DVD_PHYSICAL = Layout(
    "DVD physical format information", _STRUCTURE,
    length("DISC STRUCTURE DATA LENGTH"),
    reserved(2),
    *_LAYER,
    field("media specific", Bounded(lambda c: c["DISC STRUCTURE DATA LENGTH"] - 19, RAW), "set by the medium"),
)  # fmt: skip
