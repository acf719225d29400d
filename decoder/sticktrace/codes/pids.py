"""Packet identifiers of USB 2.0 (8.3.1, Table 8-1; link power management: Engineering Change Notice to 8.3.1).

A PID is one byte on the wire: four bits of type, then their complement. The numbers here are whole bytes.
"""

from __future__ import annotations

from typing import NamedTuple

OUT, IN, SOF, SETUP = 0xE1, 0x69, 0xA5, 0x2D
DATA0, DATA1, DATA2, MDATA = 0xC3, 0x4B, 0x87, 0x0F
ACK, NAK, STALL, NYET = 0xD2, 0x5A, 0x1E, 0x96
PRE, ERR, SPLIT, PING, EXT = 0x3C, 0x3C, 0x78, 0xB4, 0xF0
LPM = 0xC3
"""SubPID of link power management: counts in a space of its own, behind EXT (ECN Table 8-X2)."""


class Pid(NamedTuple):
    """A packet identifier: its name, what it is for, and the clause of its packet's format."""

    name: str
    text: str
    clause: str


PIDS: dict[int, Pid] = {
    OUT: Pid("OUT", "token: the host sends data next", "USB 2.0 8.4.1"),
    IN: Pid("IN", "token: the device may send data", "USB 2.0 8.4.1"),
    SOF: Pid("SOF", "start of frame, with its number", "USB 2.0 8.4.3"),
    SETUP: Pid("SETUP", "token: the host sends a setup packet next", "USB 2.0 8.4.1"),
    DATA0: Pid("DATA0", "data, even toggle", "USB 2.0 8.4.4"),
    DATA1: Pid("DATA1", "data, odd toggle", "USB 2.0 8.4.4"),
    DATA2: Pid("DATA2", "data of a high-bandwidth isochronous transaction", "USB 2.0 8.4.4"),
    MDATA: Pid("MDATA", "data of a split or high-bandwidth transaction, more follows", "USB 2.0 8.4.4"),
    ACK: Pid("ACK", "handshake: taken without error", "USB 2.0 8.4.5"),
    NAK: Pid("NAK", "handshake: not now, ask again", "USB 2.0 8.4.5"),
    STALL: Pid("STALL", "handshake: the endpoint is halted, or the request is not supported", "USB 2.0 8.4.5"),
    NYET: Pid("NYET", "handshake: taken, but no room for more; of a split transaction: not finished", "USB 2.0 8.4.5"),
    PRE: Pid("PRE/ERR", "PRE: a low-speed packet follows; ERR: handshake of a hub, the split transaction failed",
             "USB 2.0 8.4.5, 8.6.5"),
    SPLIT: Pid("SPLIT", "token to a hub: the transaction behind it is for a slower bus", "USB 2.0 8.4.2"),
    PING: Pid("PING", "token: is there room for a packet?", "USB 2.0 8.4.1, 8.5.1"),
    EXT: Pid("EXT", "token: an extended token packet follows", "LPM ECN 4.1"),
}  # fmt: skip
"""All sixteen, by byte."""


def pid_name(pid: int) -> str:
    """The name of a PID byte, or its number where the complement does not fit."""
    known = PIDS.get(pid)
    return known.name if known else f"{pid:02X}h"
