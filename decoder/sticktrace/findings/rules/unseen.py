"""Patterns that a host capture cannot show, kept in the catalogue so that nobody takes silence for absence."""

from __future__ import annotations

from sticktrace.findings.finding import (
    DEVICE,
    HOST,
    NEEDS_HOST_LOG,
    NEEDS_TWO,
    NEEDS_WIRE,
    RISK,
    UNKNOWN,
    Pattern,
)  # fmt: skip
from sticktrace.findings.rules.rule import Rule

LAYER = "not visible here"

TOGGLE = Pattern(
    "data-toggle-wrong", RISK, "Data toggles are out of step", "USB 2.0 8.6, 9.4.5",
    "A receiver discards a packet with the wrong toggle, so data is lost or a transfer repeats for ever. A host "
    "capture "
    "shows only what comes of it: missing data, timeouts, errors after a cleared halt.",
    ("CLEAR_FEATURE(ENDPOINT_HALT) did not reset the toggle on one side", "a device that starts with DATA1",
     "an erratum of the host controller"),
    "Record on the bus; see 8.6.4 for what a receiver must do.", UNKNOWN, ("F62",), NEEDS_WIRE,
)  # fmt: skip

OUT_PACKETS = Pattern(
    "out-packets-corrupted", RISK, "The second packet of an OUT transfer is repeated or lost", "USB 2.0 8.5.1, 8.6",
    "After a NAK the host repeats or skips a packet. A host capture shows whole transfers, not packets.",
    ("an erratum or driver bug of the host controller",), "Record on the bus; try one packet for each transfer.", HOST,
    ("F70",), NEEDS_WIRE,
)  # fmt: skip

CACHE = Pattern(
    "memory-not-coherent", RISK, "The bus carries right data, the application gets wrong data", "common practice",
    "A host capture, or one from the bus, holds what crossed the bus. When that is right and the application's is "
    "wrong in "
    "stretches of 32 or 64 bytes, the processor's cache was not cleaned or invalidated around the transfer.",
    ("missing cache maintenance around DMA", "buffers that share a cache line with other data"),
    "Compare the data here with what the application got; align buffers to cache lines.", HOST, ("F71",),
    NEEDS_HOST_LOG,
)  # fmt: skip

GO_SLOW = Pattern(
    "needs-a-pause", RISK, "The device needs a pause after the CBW", "common practice",
    "Some bridges lose data when the data phase follows the command at once, and work with a pause of about 100 µs. "
    "Whether "
    "a pause helps shows only in a second recording.",
    ("slow device firmware",), "Insert 100 µs after the CBW and compare.", DEVICE, ("F72",), NEEDS_TWO,
    workaround="pause before the data phase",
)  # fmt: skip

BOOT_OR_HOT_PLUG = Pattern(
    "boot-or-hot-plug-only", RISK, "The stick works only when present at start, or only when plugged in later",
    "common practice", "The two ways differ in the time between power and first request.",
    ("timing of power and reset",), "Record both and compare the waits.", UNKNOWN, ("F19",), NEEDS_TWO,
)  # fmt: skip


class Unseen(Rule):
    """Never reports: its patterns stand in the catalogue for people to read."""

    layer = LAYER
    patterns = (TOGGLE, OUT_PACKETS, CACHE, GO_SLOW, BOOT_OR_HOT_PLUG)


RULES = (Unseen,)
