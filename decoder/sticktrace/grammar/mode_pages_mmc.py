"""Mode pages of CD and DVD units (MMC-5; MMC-3 and MMC-2 where later editions dropped a page; from memory)."""

from __future__ import annotations

from construct import Bytes, Construct

from sticktrace.grammar.cdb import flags, number
from sticktrace.grammar.layout import Bounded, Layout, Series, bits, field, part, reserved, spare
from sticktrace.grammar.mode_parts import page

_WRITE_TYPES = {
    0: "packet or incremental", 1: "track at once", 2: "session at once", 3: "raw", 4: "layer jump recording",
}  # fmt: skip
_MULTI_SESSION = {
    0: "no next session, no B0 pointer", 1: "no next session, B0 pointer FF:FF:FF", 3: "a next session is allowed",
}  # fmt: skip
_BLOCK_TYPES = {
    0: "raw, 2352 bytes", 1: "raw with P and Q, 2368 bytes", 2: "raw with packed P to W, 2448 bytes",
    3: "raw with raw P to W, 2448 bytes", 7: "vendor specific", 8: "mode 1, 2048 bytes", 9: "mode 2, 2336 bytes",
    10: "mode 2 form 1, 2048 bytes", 11: "mode 2 form 1 with sub-header, 2056 bytes", 12: "mode 2 form 2, 2324 bytes",
    13: "mode 2 mixed with sub-header, 2332 bytes", 15: "vendor specific",
}  # fmt: skip
_SESSION_FORMATS = {0x00: "audio or data", 0x10: "CD-I", 0x20: "CD-ROM XA"}

_WRITE_FIELDS: tuple[Construct, ...] = (
    bits(1, spare(1), part("BUFE", 1, "buffer underrun free recording"), part("LS_V", 1, "LINK SIZE is valid"),
         part("TEST WRITE", 1, "rehearse without writing"),
         part("WRITE TYPE", 4, "how a track is written", meaning=_WRITE_TYPES)),
    bits(1, part("MULTI-SESSION", 2, "what may follow", meaning=_MULTI_SESSION),
         part("FP", 1, "packets of fixed size"), part("COPY", 1, "a copy of higher generation"),
         part("TRACK MODE", 4, "control bits of the Q sub-channel")),
    bits(1, spare(4), part("DATA BLOCK TYPE", 4, "what is sent for a sector", meaning=_BLOCK_TYPES)),
    number("LINK SIZE", 1, "sectors between packets, where LS_V is 1"),
    reserved(1),
    bits(1, spare(2), part("HOST APPLICATION CODE", 6, "0 for unrestricted use")),
    number("SESSION FORMAT", 1, "kind of session", meaning=_SESSION_FORMATS),
    reserved(1),
    number("PACKET SIZE", 4, "user data blocks of a packet, where FP is 1"),
    number("AUDIO PAUSE LENGTH", 2, "blocks of silence before an audio track"),
    field("MEDIA CATALOG NUMBER", Bytes(16), "valid where its first bit is 1"),
    field("INTERNATIONAL STANDARD RECORDING CODE", Bytes(16), "valid where its first bit is 1"),
    *(number(f"SUB-HEADER BYTE {n}", 1, "of mode 2 sectors") for n in range(4)),
)  # fmt: skip

WRITE_PARAMETERS_SHORT = page(
    0x05, 0x32, "Write Parameters", "MMC-5, Write Parameters mode page", *_WRITE_FIELDS
)  # fmt: skip
WRITE_PARAMETERS = page(
    0x05, 0x36, "Write Parameters", "MMC-5, Write Parameters mode page", *_WRITE_FIELDS,
    field("VENDOR SPECIFIC", Bytes(4), "vendor specific"),
)  # fmt: skip

CD_AUDIO_CONTROL = page(
    0x0E, 0x0E, "CD Audio Control", "MMC-3, CD Audio Control mode page",
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

CAPABILITIES_SHORT = page(
    0x2A, 0x14, "MM Capabilities and Mechanical Status", "MMC-2, CD capabilities page", *_CAPABILITIES_FIELDS
)

_WRITE_SPEED = Layout(
    "write speed descriptor", "MMC-3, MM Capabilities and Mechanical Status page",
    reserved(1),
    bits(1, spare(5), part("ROTATION CONTROL", 3, "0 CLV, 1 CAV")),
    number("WRITE SPEED SUPPORTED", 2, "1000 bytes per second"),
)  # fmt: skip

CAPABILITIES = page(
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
