"""Mode pages that sticks, card readers, bridges and virtual CDs return (SPC-4, SBC-3, SCSI-2, RBC, UFI 1.0).

A page code alone does not name a page: 1Ch is Informational Exceptions Control in SPC-4 and Timer and Protect in UFI,
05h Flexible Disk and, on a CD unit, Write Parameters; and older documents print shorter pages than newer ones. No two
pages of one code have one length, so that the PAGE LENGTH tells which it is (`mode_page`). Pages of CD units are in
`mode_pages_mmc`. Clauses without a number name the page's table in that document.
"""

from __future__ import annotations

from construct import BytesInteger, Construct, GreedyBytes

from sticktrace.grammar import mode_pages_mmc as mmc
from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.layout import Bounded, Layout, bits, field, part, reserved, spare
from sticktrace.grammar.mode_parts import head, page, subpage, tenths

VENDOR = Layout(
    "Vendor specific mode page",
    "SPC-4, mode page format",
    *head(0x00, 0, "Vendor specific"),
    field(
        "VENDOR SPECIFIC",
        Bounded(lambda c: c["PAGE LENGTH"], GreedyBytes),
        "no standard gives this page a form",
    ),
)

ERROR_RECOVERY = page(
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
    bits(1, part("LBPERE", 1, "logical block provisioning errors are reported"), spare(7)),
    number("WRITE RETRY COUNT", 1, "how often a write is tried again"),
    reserved(1),
    number("RECOVERY TIME LIMIT", 2, "milliseconds the device may spend on recovery; 0 for its default"),
)  # fmt: skip

DISCONNECT_RECONNECT = page(
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

FORMAT_DEVICE = page(
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

RIGID_GEOMETRY = page(
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

FLEXIBLE_DISK = page(
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
    number("MOTOR ON DELAY", 1, "time to speed", meaning=tenths),
    number("MOTOR OFF DELAY", 1, "time to stop", meaning=tenths),
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

RBC_PARAMETERS = page(
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

CACHING_SHORT = page(0x08, 0x0A, "Caching", "SCSI-2, Caching page", *_CACHE_FIELDS)

CACHING = page(
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

CONTROL_SHORT = page(
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

CONTROL = page(
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

POWER_CONDITION_SHORT = page(
    0x1A, 0x0A, "Power Condition", "SPC-3, Power Condition mode page",
    reserved(1),
    flags((1, "IDLE", "the idle timer runs"), (0, "STANDBY", "the standby timer runs")),
    number("IDLE CONDITION TIMER", 4, "in 100 ms", meaning=tenths),
    number("STANDBY CONDITION TIMER", 4, "in 100 ms", meaning=tenths),
)  # fmt: skip

POWER_CONDITION = page(
    0x1A, 0x26, "Power Condition", "SPC-4, Power Condition mode page",
    bits(1, part("PM_BG_PRECEDENCE", 2, "power against background work"), spare(5), part("STANDBY_Y", 1, "timer runs")),
    flags(
        (3, "IDLE_C", "timer runs"), (2, "IDLE_B", "timer runs"), (1, "IDLE_A", "timer runs"),
        (0, "STANDBY_Z", "timer runs"),
    ),
    *(
        number(f"{name} CONDITION TIMER", 4, "in 100 ms", meaning=tenths)
        for name in ("IDLE_A", "STANDBY_Z", "IDLE_B", "IDLE_C", "STANDBY_Y")
    ),
    reserved(15),
    bits(
        1, part("CCF IDLE", 2, "check condition when leaving idle fails"),
        part("CCF STANDBY", 2, "check condition when leaving standby fails"),
        part("CCF STOPPED", 2, "check condition when leaving stopped fails"), spare(2),
    ),
)  # fmt: skip

REMOVABLE_BLOCK_ACCESS = page(
    0x1B, 0x0A, "Removable Block Access Capabilities", "UFI 1.0, Removable Block Access Capabilities page",
    flags((7, "SFLP", "system floppy type device"), (6, "SRFP", "progress of a format is reported")),
    bits(
        1, part("NCD", 1, "non-CD optical device"), part("SML", 1, "single or multiple LUN"),
        spare(3), part("TLUN", 3, "total of logical units"),
    ),
    reserved(8),
)  # fmt: skip

INFORMATIONAL_EXCEPTIONS = page(
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
    number("INTERVAL TIMER", 4, "in 100 ms", meaning=tenths),
    number("REPORT COUNT", 4, "0 for no limit"),
)  # fmt: skip

TIMER_AND_PROTECT = page(
    0x1C, 0x06, "Timer and Protect", "UFI 1.0, Timer and Protect page",
    reserved(1),
    bits(1, spare(4), part("INACTIVITY TIME MULTIPLIER", 4, "how long the motor runs on after the last access")),
    flags((1, "DISP", "unavailable until power is cycled"), (0, "SWPP", "software write protect")),
    reserved(3),
)  # fmt: skip

CONTROL_EXTENSION = subpage(
    0x0A, 0x01, 0x1C, "Control Extension", "SPC-4, Control Extension mode page",
    flags(
        (2, "TCMOS", "the timestamp may be set by other means"), (1, "SCSIP", "SCSI's timestamp comes first"),
        (0, "IALUAE", "implicit changes of asymmetric access are allowed"),
    ),
    bits(1, spare(4), part("INITIAL COMMAND PRIORITY", 4, "of commands that state none")),
    number("MAXIMUM SENSE DATA LENGTH", 1, "bytes of sense data returned at most", meaning={0: "no limit"}),
    reserved(25),
)  # fmt: skip

FORMS: tuple[tuple[int, int, Layout], ...] = (
    (0x01, 0x0A, ERROR_RECOVERY),
    (0x02, 0x0E, DISCONNECT_RECONNECT),
    (0x03, 0x16, FORMAT_DEVICE),
    (0x04, 0x16, RIGID_GEOMETRY),
    (0x05, 0x1E, FLEXIBLE_DISK),
    (0x05, 0x32, mmc.WRITE_PARAMETERS_SHORT),
    (0x05, 0x36, mmc.WRITE_PARAMETERS),
    (0x06, 0x0B, RBC_PARAMETERS),
    (0x08, 0x0A, CACHING_SHORT),
    (0x08, 0x12, CACHING),
    (0x0A, 0x06, CONTROL_SHORT),
    (0x0A, 0x0A, CONTROL),
    (0x0E, 0x0E, mmc.CD_AUDIO_CONTROL),
    (0x1A, 0x0A, POWER_CONDITION_SHORT),
    (0x1A, 0x26, POWER_CONDITION),
    (0x1B, 0x0A, REMOVABLE_BLOCK_ACCESS),
    (0x1C, 0x06, TIMER_AND_PROTECT),
    (0x1C, 0x0A, INFORMATIONAL_EXCEPTIONS),
    (0x2A, 0x14, mmc.CAPABILITIES_SHORT),
    (0x2A, 0x1E, mmc.CAPABILITIES),
)
"""(page code, PAGE LENGTH, layout) of every form known, shorter forms first."""

SUBPAGES: dict[tuple[int, int], tuple[int, Layout]] = {(0x0A, 0x01): (0x1C, CONTROL_EXTENSION)}
"""PAGE LENGTH and layout by (page code, subpage code)."""


def mode_page(code: int, length: int, subcode: int = 0) -> Layout | None:
    """The layout of a mode page with this PAGE LENGTH, None where no form known here fits.

    A page longer than the longest form keeps that form (later documents add fields at the end); its extra bytes are
    left to the caller.
    """
    if subcode:
        size, layout = SUBPAGES.get((code, subcode), (length + 1, None))
        return layout if size <= length else None
    if code == 0:
        return VENDOR
    fitting = [layout for known, size, layout in FORMS if known == code and size <= length]
    return fitting[-1] if fitting else None
