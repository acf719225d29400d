"""How the SCSI layer of a host names the end of a command that its device did not end properly.

The numbers are the host byte of a command's result in the Linux kernel, printed with ``DID_`` in front of the name
(kernel source ``include/scsi/scsi_status.h``); what each means for a stick is common practice.
"""

from __future__ import annotations

NAMES: tuple[str, ...] = (
    "OK", "NO_CONNECT", "BUS_BUSY", "TIME_OUT", "BAD_TARGET", "ABORT", "PARITY", "ERROR", "RESET", "BAD_INTR",
    "PASSTHROUGH", "SOFT_ERROR", "IMM_RETRY", "REQUEUE", "TRANSPORT_DISRUPTED", "TRANSPORT_FAILFAST", "TARGET_FAILURE",
    "NEXUS_FAILURE", "ALLOC_FAILURE", "MEDIUM_ERROR",
)  # fmt: skip
"""By number."""

MEANINGS: dict[str, str] = {
    "OK": "the command was carried out; sense data tells how it ended",
    "NO_CONNECT": "the device is gone, or was given up",
    "BUS_BUSY": "the device took no command for too long",
    "TIME_OUT": "no end came in the time allowed",
    "BAD_TARGET": "there is no such unit",
    "ABORT": "the command was given up, most often for its time",
    "PARITY": "the data was damaged on its way",
    "ERROR": "the transport driver gave the command up: an error on the bus or a status that is none",
    "RESET": "a reset ended it",
    "SOFT_ERROR": "the driver asks to try again",
    "IMM_RETRY": "the driver asks to try again at once",
    "REQUEUE": "the driver puts it back into its queue",
    "TRANSPORT_DISRUPTED": "the connection was interrupted",
    "TARGET_FAILURE": "the device says that trying again will not help",
    "MEDIUM_ERROR": "the medium is at fault",
}


def name_of(number: int) -> str:
    """The name of a host byte, without ``DID_``; its number in hex where it has none."""
    return NAMES[number] if 0 <= number < len(NAMES) else f"{number:#04x}"


def number_of(name: str) -> int:
    """The number of a name, -1 for a name not known."""
    return NAMES.index(name) if name in NAMES else -1


def in_words(number: int) -> str:
    """``DID_ERROR: the transport driver gave the command up ...``."""
    name = name_of(number)
    text = MEANINGS.get(name, "")
    return f"DID_{name}: {text}" if text else f"DID_{name}"
