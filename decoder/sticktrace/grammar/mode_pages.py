"""Mode pages that sticks, card readers, bridges and virtual CDs return (SPC-4, SBC-3, SCSI-2, RBC, MMC, UFI 1.0).

A page code alone does not name a page: 1Ch is Informational Exceptions Control in SPC and Timer and Protect in UFI,
and older documents print shorter pages than newer ones. `MODE_PAGES` holds the usual page for a (page, subpage);
`mode_page` chooses by the PAGE LENGTH found. Clauses without a number name the page's table in that document.
"""

from __future__ import annotations

from typing import Any

from construct import BytesInteger, Construct, GreedyBytes, Int8ub

from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.layout import Bounded, Layout, Part, Series, bits, field, part, reserved, spare

PAGE_NAMES = {
    0x00: "Vendor specific",
    0x01: "Read-Write Error Recovery",
    0x02: "Disconnect-Reconnect",
    0x03: "Format Device",
    0x04: "Rigid Disk Geometry",
    0x05: "Flexible Disk",
    0x06: "RBC Device Parameters",
    0x07: "Verify Error Recovery",
    0x08: "Caching",
    0x0A: "Control",
    0x0D: "CD Device Parameters",
    0x0E: "CD Audio Control",
    0x1A: "Power Condition",
    0x1B: "Removable Block Access Capabilities",
    0x1C: "Informational Exceptions Control or Timer and Protect",
    0x1D: "Timer and Protect (MMC)",
    0x2A: "MM Capabilities and Mechanical Status",
    0x3F: "all pages",
}
"""PAGE CODE values met in practice; a page of type 05h devices may carry another meaning (05h Write Parameters)."""


def _head(code: int, length: int) -> tuple[Construct, ...]:
    return (
        bits(
            1,
            part("PS", 1, "the device can save this page"),
            part("SPF", 1, "a subpage code follows", "SPC-4, mode page format"),
            part("PAGE CODE", 6, "which page", "SPC-4, mode page format", meaning=PAGE_NAMES, default=code),
        ),
        field("PAGE LENGTH", Int8ub, "bytes that follow this one", default=length),
    )


def _page(code: int, length: int, name: str, clause: str, *fields: Construct) -> Layout:
    return Layout(f"{name} mode page", clause, *_head(code, length), *fields)


def _tenths(value: Any, _seen: Any) -> str:
    return f"{value / 10:g} s" if value else ""


def _flag(name: str, text: str) -> Part:
    return part(name, 1, text)


VENDOR = Layout(
    "Vendor specific mode page",
    "SPC-4, mode page format",
    *_head(0x00, 0),
    field(
        "VENDOR SPECIFIC",
        Bounded(lambda c: c["PAGE LENGTH"], GreedyBytes),
        "no standard gives this page a form",
    ),
)

ERROR_RECOVERY = _page(
    0x01, 0x0A, "Read-Write Error Recovery", "SBC-3, Read-Write Error Recovery mode page",
    flags(
        (7, "AWRE", "reassign bad blocks by itself on writes"),
        (6, "ARRE", "reassign bad blocks by itself on reads"),
        (5, "TB", "return the data of a block that could not be recovered"),
        (4, "RC", "read continuously, errors or not"),
        (3, "EER", "use the quickest recovery"),
        (2, "PER", "report recovered errors"),
        (1, "DTE", "stop at the first recovered error"),
        (0, "DCR", "do not correct with the code"),
    ),
    number("READ RETRY COUNT", 1, "how often a read is tried again"),
    number("CORRECTION SPAN", 1, "obsolete: longest correctable burst in bits"),
    number("HEAD OFFSET COUNT", 1, "obsolete"),
    number("DATA STROBE OFFSET COUNT", 1, "obsolete"),
    bits(1, _flag("LBPERE", "logical block provisioning errors are reported"), spare(7)),
    number("WRITE RETRY COUNT", 1, "how often a write is tried again"),
    reserved(1),
    number("RECOVERY TIME LIMIT", 2, "milliseconds the device may spend on recovery; 0 for its default"),
)  # fmt: skip

DISCONNECT_RECONNECT = _page(
    0x02, 0x0E, "Disconnect-Reconnect", "SPC-4, Disconnect-Reconnect mode page",
    number("BUFFER FULL RATIO", 1, "on reads, in 1/256 of the buffer"),
    number("BUFFER EMPTY RATIO", 1, "on writes, in 1/256 of the buffer"),
    number("BUS INACTIVITY LIMIT", 2, "set by the transport's standard"),
    number("DISCONNECT TIME LIMIT", 2, "set by the transport's standard"),
    number("CONNECT TIME LIMIT", 2, "set by the transport's standard"),
    number("MAXIMUM BURST SIZE", 2, "in units of 512 bytes; 0 for no limit"),
    bits(
        1, part("EMDP", 1, "data may come out of order"), part("FAIR ARBITRATION", 3, "set by the transport"),
        part("DIMM", 1, "disconnect immediately"), part("DTDC", 3, "data transfer disconnect control"),
    ),
    reserved(1),
    number("FIRST BURST SIZE", 2, "in units of 512 bytes"),
)  # fmt: skip

FORMAT_DEVICE = _page(
    0x03, 0x16, "Format Device", "SCSI-2, Format Device page",
    number("TRACKS PER ZONE", 2, "zones for defect handling"),
    number("ALTERNATE SECTORS PER ZONE", 2, "spare sectors"),
    number("ALTERNATE TRACKS PER ZONE", 2, "spare tracks"),
    number("ALTERNATE TRACKS PER LOGICAL UNIT", 2, "spare tracks"),
    number("SECTORS PER TRACK", 2, "sectors on one track"),
    number("DATA BYTES PER PHYSICAL SECTOR", 2, "bytes"),
    number("INTERLEAVE", 2, "only valid when asked for the current values"),
    number("TRACK SKEW FACTOR", 2, "sectors"),
    number("CYLINDER SKEW FACTOR", 2, "sectors"),
    flags(
        (7, "SSEC", "soft sectors"), (6, "HSEC", "hard sectors"), (5, "RMB", "removable"),
        (4, "SURF", "addresses run along one surface first"),
    ),
    reserved(3),
)  # fmt: skip

RIGID_GEOMETRY = _page(
    0x04, 0x16, "Rigid Disk Geometry", "SCSI-2, Rigid Disk Drive Geometry page",
    number("NUMBER OF CYLINDERS", 3, "cylinders"),
    number("NUMBER OF HEADS", 1, "heads"),
    number("STARTING CYLINDER-WRITE PRECOMPENSATION", 3, "obsolete"),
    number("STARTING CYLINDER-REDUCED WRITE CURRENT", 3, "obsolete"),
    number("DEVICE STEP RATE", 2, "obsolete, in 100 ns"),
    number("LANDING ZONE CYLINDER", 3, "obsolete"),
    bits(1, spare(6), part("RPL", 2, "rotational position locking")),
    number("ROTATIONAL OFFSET", 1, "in 1/256 of a turn"),
    reserved(1),
    number("MEDIUM ROTATION RATE", 2, "revolutions per minute"),
    reserved(2),
)  # fmt: skip

FLEXIBLE_DISK = _page(
    0x05, 0x1E, "Flexible Disk", "SCSI-2, Flexible Disk page; UFI 1.0, Flexible Disk Page",
    number("TRANSFER RATE", 2, "kilobits per second"),
    number("NUMBER OF HEADS", 1, "heads"),
    number("SECTORS PER TRACK", 1, "sectors on one track"),
    number("DATA BYTES PER SECTOR", 2, "bytes"),
    number("NUMBER OF CYLINDERS", 2, "cylinders"),
    number("STARTING CYLINDER-WRITE PRECOMPENSATION", 2, "reserved in UFI"),
    number("STARTING CYLINDER-REDUCED WRITE CURRENT", 2, "reserved in UFI"),
    number("DEVICE STEP RATE", 2, "in 100 us; reserved in UFI"),
    number("DEVICE STEP PULSE WIDTH", 1, "in us; reserved in UFI"),
    number("HEAD SETTLE DELAY", 2, "in 100 us; reserved in UFI"),
    number("MOTOR ON DELAY", 1, "time to speed", meaning=_tenths),
    number("MOTOR OFF DELAY", 1, "time to stop", meaning=_tenths),
    flags((7, "TRDY", "has a ready signal"), (6, "SSN", "sectors count from 1"), (5, "MO", "motor signal stays on")),
    bits(1, spare(4), part("SPC", 4, "steps per cylinder, less one")),
    number("WRITE COMPENSATION", 1, "vendor specific"),
    number("HEAD LOAD DELAY", 1, "in ms"),
    number("HEAD UNLOAD DELAY", 1, "in ms"),
    bits(1, part("PIN 34", 4, "use of the connector pin"), part("PIN 2", 4, "use of the connector pin")),
    bits(1, part("PIN 4", 4, "use of the connector pin"), part("PIN 1", 4, "use of the connector pin")),
    number("MEDIUM ROTATION RATE", 2, "revolutions per minute"),
    reserved(2),
)  # fmt: skip

RBC_PARAMETERS = _page(
    0x06, 0x0B, "RBC Device Parameters", "RBC, device parameters page",
    flags((0, "WCD", "write cache is off")),
    number("LOGICAL BLOCK SIZE", 2, "bytes"),
    field("NUMBER OF LOGICAL BLOCKS", BytesInteger(5), "blocks of the medium", default=0),
    number("POWER/PERFORMANCE", 1, "0 least power, FFh most performance"),
    flags(
        (3, "READD", "reading is refused"), (2, "WRITED", "writing is refused"),
        (1, "FORMATD", "formatting is refused"), (0, "LOCKD", "locking the medium is refused"),
    ),
    reserved(1),
)  # fmt: skip

_CACHE_FIELDS: tuple[Construct, ...] = (
    flags(
        (7, "IC", "the host's segment settings are used"),
        (6, "ABPF", "a new command ends the pre-fetch"),
        (5, "CAP", "the cache may do its own analysis"),
        (4, "DISC", "pre-fetch may cross cylinders"),
        (3, "SIZE", "segments are set by size"),
        (2, "WCE", "write cache on: data may sit in volatile memory after GOOD"),
        (1, "MF", "pre-fetch is counted per block of the command"),
        (0, "RCD", "read cache off"),
    ),
    bits(
        1, part("DEMAND READ RETENTION PRIORITY", 4, "0 for no preference"),
        part("WRITE RETENTION PRIORITY", 4, "0 for no preference"),
    ),
    number("DISABLE PRE-FETCH TRANSFER LENGTH", 2, "no pre-fetch above this many blocks"),
    number("MINIMUM PRE-FETCH", 2, "blocks"),
    number("MAXIMUM PRE-FETCH", 2, "blocks"),
    number("MAXIMUM PRE-FETCH CEILING", 2, "blocks"),
)  # fmt: skip

CACHING_SHORT = _page(0x08, 0x0A, "Caching", "SCSI-2, Caching page", *_CACHE_FIELDS)

CACHING = _page(
    0x08, 0x12, "Caching", "SBC-3, Caching mode page",
    *_CACHE_FIELDS,
    bits(
        1, part("FSW", 1, "write in address order"), part("LBCSS", 1, "segment size counts blocks"),
        part("DRA", 1, "no read ahead"), part("VENDOR SPECIFIC", 2, "vendor specific"),
        part("SYNC_PROG", 2, "progress of SYNCHRONIZE CACHE"), part("NV_DIS", 1, "non-volatile cache off"),
    ),
    number("NUMBER OF CACHE SEGMENTS", 1, "segments"),
    number("CACHE SEGMENT SIZE", 2, "bytes, or blocks where LBCSS is 1"),
    reserved(1),
    number("NON-CACHE SEGMENT SIZE", 3, "obsolete"),
)  # fmt: skip

CONTROL_SHORT = _page(
    0x0A, 0x06, "Control", "SCSI-2, Control mode page",
    flags((0, "RLEC", "report log exceptions")),
    bits(
        1, part("QUEUE ALGORITHM MODIFIER", 4, "0 restricted, 1 unrestricted reordering"), spare(2),
        part("QERR", 1, "an error ends the other queued commands"), part("DQUE", 1, "queueing off"),
    ),
    flags(
        (7, "EECA", "extended contingent allegiance"), (2, "RAENP", "tell when ready"),
        (1, "UAAENP", "tell of unit attention"), (0, "EAENP", "tell of deferred errors"),
    ),
    reserved(1),
    number("READY AEN HOLDOFF PERIOD", 2, "milliseconds"),
)  # fmt: skip

CONTROL = _page(
    0x0A, 0x0A, "Control", "SPC-4, Control mode page",
    bits(
        1, part("TST", 3, "task set type"), part("TMF_ONLY", 1, "only task management in ACA"),
        part("DPICZ", 1, "protection checks off with zero"),
        part("D_SENSE", 1, "form of sense data", meaning={0: "fixed format", 1: "descriptor format"}),
        part("GLTSD", 1, "no implicit saving of log parameters"), part("RLEC", 1, "report log exceptions"),
    ),
    bits(
        1, part("QUEUE ALGORITHM MODIFIER", 4, "0 restricted, 1 unrestricted reordering"),
        part("NUAR", 1, "no unit attention on release"), part("QERR", 2, "what an error does to queued commands"),
        spare(1),
    ),
    bits(
        1, part("VS", 1, "vendor specific"), part("RAC", 1, "report a check rather than long busy"),
        part("UA_INTLCK_CTRL", 2, "unit attention interlock"), part("SWP", 1, "software write protect"), spare(3),
    ),
    bits(
        1, part("ATO", 1, "application tag owner"), part("TAS", 1, "aborted commands end with TASK ABORTED"),
        part("ATMPE", 1, "application tag mode page in use"), part("RWWP", 1, "reject writes without protection"),
        spare(1), part("AUTOLOAD MODE", 3, "what happens when a medium is put in"),
    ),
    reserved(2),
    number("BUSY TIMEOUT PERIOD", 2, "in 100 ms; FFFFh for no limit"),
    number("EXTENDED SELF-TEST COMPLETION TIME", 2, "seconds"),
)  # fmt: skip

CD_AUDIO_CONTROL = _page(
    0x0E, 0x0E, "CD Audio Control", "MMC-5, CD Audio Control mode page",
    flags((2, "IMMED", "status comes when playing begins"), (1, "SOTC", "stop where the track changes")),
    reserved(3),
    number("LOGICAL BLOCKS PER SECOND OF AUDIO PLAYBACK", 2, "obsolete"),
    *(
        item
        for port in range(4)
        for item in (
            bits(1, spare(4), part(f"PORT {port} CHANNEL SELECTION", 4, "bit per channel; 0 for silence")),
            number(f"PORT {port} VOLUME", 1, "0 for silence, FFh loudest"),
        )
    ),
)  # fmt: skip

POWER_CONDITION_SHORT = _page(
    0x1A, 0x0A, "Power Condition", "SPC-3, Power Condition mode page",
    reserved(1),
    flags((1, "IDLE", "the idle timer runs"), (0, "STANDBY", "the standby timer runs")),
    number("IDLE CONDITION TIMER", 4, "in 100 ms", meaning=_tenths),
    number("STANDBY CONDITION TIMER", 4, "in 100 ms", meaning=_tenths),
)  # fmt: skip

POWER_CONDITION = _page(
    0x1A, 0x26, "Power Condition", "SPC-4, Power Condition mode page",
    bits(1, part("PM_BG_PRECEDENCE", 2, "power against background work"), spare(5), _flag("STANDBY_Y", "timer runs")),
    flags(
        (3, "IDLE_C", "timer runs"), (2, "IDLE_B", "timer runs"), (1, "IDLE_A", "timer runs"),
        (0, "STANDBY_Z", "timer runs"),
    ),
    *(
        number(f"{name} CONDITION TIMER", 4, "in 100 ms", meaning=_tenths)
        for name in ("IDLE_A", "STANDBY_Z", "IDLE_B", "IDLE_C", "STANDBY_Y")
    ),
    reserved(15),
    bits(
        1, part("CCF IDLE", 2, "check condition when leaving idle fails"),
        part("CCF STANDBY", 2, "check condition when leaving standby fails"),
        part("CCF STOPPED", 2, "check condition when leaving stopped fails"), spare(2),
    ),
)  # fmt: skip

REMOVABLE_BLOCK_ACCESS = _page(
    0x1B, 0x0A, "Removable Block Access Capabilities", "UFI 1.0, Removable Block Access Capabilities page",
    flags((7, "SFLP", "system floppy type device"), (6, "SRFP", "progress of a format is reported")),
    bits(
        1, part("NCD", 1, "non-CD optical device"), part("SML", 1, "single or multiple LUN"),
        spare(3), part("TLUN", 3, "total of logical units"),
    ),
    reserved(8),
)  # fmt: skip

INFORMATIONAL_EXCEPTIONS = _page(
    0x1C, 0x0A, "Informational Exceptions Control", "SPC-4, Informational Exceptions Control mode page",
    flags(
        (7, "PERF", "no delays for exception checks"), (5, "EBF", "background functions allowed"),
        (4, "EWASC", "warnings on"), (3, "DEXCPT", "failure prediction off"), (2, "TEST", "make a false prediction"),
        (1, "EBACKERR", "report background errors"), (0, "LOGERR", "log exceptions"),
    ),
    bits(
        1, spare(4),
        part(
            "MRIE", 4, "how exceptions are reported",
            meaning={
                0: "not reported", 2: "unit attention", 3: "recovered error, if PER", 4: "recovered error, always",
                5: "no sense", 6: "only on request",
            },
        ),
    ),
    number("INTERVAL TIMER", 4, "in 100 ms", meaning=_tenths),
    number("REPORT COUNT", 4, "0 for no limit"),
)  # fmt: skip

TIMER_AND_PROTECT = _page(
    0x1C, 0x06, "Timer and Protect", "UFI 1.0, Timer and Protect page",
    reserved(1),
    bits(1, spare(4), part("INACTIVITY TIME MULTIPLIER", 4, "how long the motor runs on after the last access")),
    flags((1, "DISP", "unavailable until power is cycled"), (0, "SWPP", "software write protect")),
    reserved(3),
)  # fmt: skip

_CAPABILITIES_FIELDS: tuple[Construct, ...] = (
    flags(
        (5, "DVD-RAM READ", "reads DVD-RAM"), (4, "DVD-R READ", "reads DVD-R"), (3, "DVD-ROM READ", "reads DVD-ROM"),
        (2, "METHOD 2", "reads fixed packets"), (1, "CD-RW READ", "reads CD-RW"), (0, "CD-R READ", "reads CD-R"),
    ),
    flags(
        (5, "DVD-RAM WRITE", "writes DVD-RAM"), (4, "DVD-R WRITE", "writes DVD-R"), (2, "TEST WRITE", "can rehearse"),
        (1, "CD-RW WRITE", "writes CD-RW"), (0, "CD-R WRITE", "writes CD-R"),
    ),
    flags(
        (7, "BUF", "protected against an empty buffer"), (6, "MULTI SESSION", "reads several sessions"),
        (5, "MODE 2 FORM 2", "reads such sectors"), (4, "MODE 2 FORM 1", "reads such sectors"),
        (3, "DIGITAL PORT 2", "digital output there"), (2, "DIGITAL PORT 1", "digital output there"),
        (1, "COMPOSITE", "composite output"), (0, "AUDIO PLAY", "plays audio"),
    ),
    flags(
        (7, "READ BAR CODE", "reads the bar code"), (6, "UPC", "reads the catalogue number"),
        (5, "ISRC", "reads the recording code"),
        (4, "C2 POINTERS", "returns C2 error pointers"), (3, "R-W DEINTERLEAVED", "returns sub-channels in order"),
        (2, "R-W SUPPORTED", "returns sub-channels"), (1, "CD-DA STREAM ACCURATE", "resumes audio without loss"),
        (0, "CD-DA COMMANDS", "reads audio with READ CD"),
    ),
    bits(
        1,
        part(
            "LOADING MECHANISM TYPE", 3, "how a disc is put in",
            meaning={0: "caddy", 1: "tray", 2: "pop-up", 4: "changer with single discs", 5: "changer with magazine"},
        ),
        spare(1), part("EJECT", 1, "ejects on command"), part("PREVENT JUMPER", 1, "locked after power on"),
        part("LOCK STATE", 1, "locked now"), part("LOCK", 1, "can be locked"),
    ),
    flags(
        (5, "RW IN LEAD-IN", "reads sub-channels there"), (4, "SIDE CHANGE", "turns the disc"),
        (3, "SSS", "slots chosen by software"),
        (2, "SDP", "changer knows which slots are full"), (1, "SEPARATE CHANNEL MUTE", "channels are muted one by one"),
        (0, "SEPARATE VOLUME LEVELS", "volume is set channel by channel"),
    ),
    number("MAXIMUM READ SPEED", 2, "obsolete, 1000 bytes per second"),
    number("NUMBER OF VOLUME LEVELS SUPPORTED", 2, "levels"),
    number("BUFFER SIZE SUPPORTED", 2, "in 1024 bytes"),
    number("CURRENT READ SPEED", 2, "obsolete, 1000 bytes per second"),
    reserved(1),
    bits(
        1, spare(2), part("LENGTH", 2, "bits of the digital output"), part("LSBF", 1, "low bit first"),
        part("RCK", 1, "high means left"), part("BCKF", 1, "valid on the falling edge"), spare(1),
    ),
    number("MAXIMUM WRITE SPEED", 2, "obsolete, 1000 bytes per second"),
    number("CURRENT WRITE SPEED", 2, "obsolete, 1000 bytes per second"),
)  # fmt: skip

CAPABILITIES_SHORT = _page(
    0x2A, 0x14, "MM Capabilities and Mechanical Status", "MMC-2, CD capabilities page", *_CAPABILITIES_FIELDS
)

_WRITE_SPEED = Layout(
    "write speed descriptor", "MMC-3, MM Capabilities and Mechanical Status page",
    reserved(1),
    bits(1, spare(5), part("ROTATION CONTROL", 3, "0 CLV, 1 CAV")),
    number("WRITE SPEED SUPPORTED", 2, "1000 bytes per second"),
)  # fmt: skip

CAPABILITIES = _page(
    0x2A, 0x1E, "MM Capabilities and Mechanical Status", "MMC-3, MM Capabilities and Mechanical Status page",
    *_CAPABILITIES_FIELDS,
    number("COPY MANAGEMENT REVISION SUPPORTED", 2, "revision"),
    reserved(3),
    bits(1, spare(6), part("ROTATION CONTROL SELECTED", 2, "0 CLV, 1 CAV")),
    number("CURRENT WRITE SPEED SELECTED", 2, "1000 bytes per second"),
    number("NUMBER OF WRITE SPEED DESCRIPTORS", 2, "descriptors that follow"),
    field(
        "write speed descriptors",
        Bounded(lambda c: 4 * c["NUMBER OF WRITE SPEED DESCRIPTORS"], Series(_WRITE_SPEED)),
        "one per write speed",
    ),
)  # fmt: skip

MODE_PAGES: dict[tuple[int, int], Layout] = {
    (0x00, 0): VENDOR,
    (0x01, 0): ERROR_RECOVERY,
    (0x02, 0): DISCONNECT_RECONNECT,
    (0x03, 0): FORMAT_DEVICE,
    (0x04, 0): RIGID_GEOMETRY,
    (0x05, 0): FLEXIBLE_DISK,
    (0x06, 0): RBC_PARAMETERS,
    (0x08, 0): CACHING,
    (0x0A, 0): CONTROL,
    (0x0E, 0): CD_AUDIO_CONTROL,
    (0x1A, 0): POWER_CONDITION,
    (0x1B, 0): REMOVABLE_BLOCK_ACCESS,
    (0x1C, 0): INFORMATIONAL_EXCEPTIONS,
    (0x2A, 0): CAPABILITIES,
}
"""The usual form of each page, by (page code, subpage code)."""

FORMS: tuple[tuple[int, int, Layout], ...] = (
    (0x01, 0x0A, ERROR_RECOVERY),
    (0x02, 0x0E, DISCONNECT_RECONNECT),
    (0x03, 0x16, FORMAT_DEVICE),
    (0x04, 0x16, RIGID_GEOMETRY),
    (0x05, 0x1E, FLEXIBLE_DISK),
    (0x06, 0x0B, RBC_PARAMETERS),
    (0x08, 0x0A, CACHING_SHORT),
    (0x08, 0x12, CACHING),
    (0x0A, 0x06, CONTROL_SHORT),
    (0x0A, 0x0A, CONTROL),
    (0x0E, 0x0E, CD_AUDIO_CONTROL),
    (0x1A, 0x0A, POWER_CONDITION_SHORT),
    (0x1A, 0x26, POWER_CONDITION),
    (0x1B, 0x0A, REMOVABLE_BLOCK_ACCESS),
    (0x1C, 0x06, TIMER_AND_PROTECT),
    (0x1C, 0x0A, INFORMATIONAL_EXCEPTIONS),
    (0x2A, 0x14, CAPABILITIES_SHORT),
    (0x2A, 0x1E, CAPABILITIES),
)
"""(page code, PAGE LENGTH, layout) of every form known, shorter forms first."""


def mode_page(page: int, length: int, subpage: int = 0) -> Layout | None:
    """The layout of a mode page with this PAGE LENGTH, None where no form known here fits.

    A page longer than the longest form keeps that form (later documents add fields at the end); its extra bytes are
    left to the caller. Page 05h of an MMC device (Write Parameters, length 32h) is not the Flexible Disk page.
    """
    if page == 0 and subpage == 0:
        return VENDOR
    if subpage or (page, length) == (0x05, 0x32):
        return None
    fitting = [layout for code, size, layout in FORMS if code == page and size <= length]
    return fitting[-1] if fitting else None
