"""Will this stick work on that board? Each limit of the board's profile held against what the capture shows.

A capture of the stick on any host will do. "cannot tell" is an answer: it says what the capture lacks. Numbers come
from the stick's descriptors and answers and from what it did; a limit breaks only where the capture shows it broken.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from sticktrace.board.evidence import Look
from sticktrace.board.file_layer import file_systems, long_names, partition_schemes
from sticktrace.board.outcome import BREAKS, FITS, UNKNOWN, Line, Verdict
from sticktrace.board.profile import LIMITS, SPEEDS, Board
from sticktrace.text import bytes_in_words, count_of, time_in_words

_QUALIFIER, _OTHER_SPEED = 6, 7
BACK_FEED = "never join two 5 V supplies on one VBUS line: the stronger feeds back into the other"


@dataclass(slots=True)
class Fit:
    """The result: one line for each limit that the profile gives, in the order of a bring-up."""

    board: Board
    look: Look
    lines: list[Line]

    @property
    def broken(self) -> list[Line]:
        """The limits that the stick breaks."""
        return [line for line in self.lines if line.verdict == BREAKS]

    @property
    def open(self) -> list[Line]:
        """The limits that the capture cannot settle."""
        return [line for line in self.lines if line.verdict == UNKNOWN]

    def facts(self) -> dict[str, Any]:
        """As JSON says it (kind "fit")."""
        stick = self.look.stick
        return {
            "kind": "fit", "board": self.board.name, "stick": stick.number,
            "device": stick.place, "name": stick.name, "ids": stick.ids,
            "breaks": len(self.broken), "cannot_tell": len(self.open),
            "limits": [line.facts() for line in self.lines], "not_in_profile": self.board.left_out,
        }  # fmt: skip


def fit(look: Look, board: Board) -> Fit:
    """Hold every limit of a profile against a stick."""
    lines = []
    for limit in LIMITS:
        value = board.get(limit.name)
        if value is not None:
            lines.append(Line(limit.name, value, *_CHECKS[limit.name](look, value, board)))
    return Fit(board, look, lines)


def _speed(look: Look, value: str, board: Board) -> Verdict:
    speed = look.stick.speed
    if not speed:
        return Verdict(UNKNOWN, "the capture does not show the stick's speed", "record its plugging in")
    if speed == "low" or SPEEDS.index(speed) <= SPEEDS.index(value):
        return Verdict(FITS, f"the stick works at {speed} speed in this capture")
    if speed == "high" and {_QUALIFIER, _OTHER_SPEED} & look.device.other_descriptors.keys():
        return Verdict(FITS, "seen at high speed; its device_qualifier says how it works at full speed (USB 2.0 9.6.2)")
    return Verdict(
        UNKNOWN, f"seen at {speed} speed only; most sticks work at {value} speed as well (common practice)",
        f"record it once behind a {value}-speed port or hub",
    )  # fmt: skip


def _hubs(look: Look, value: bool, board: Board) -> Verdict:
    depth = look.hubs
    if value:
        return Verdict(FITS, "the board drives hubs")
    if depth:
        return Verdict(BREAKS, f"the stick hangs behind {count_of(depth, 'hub')} here", "plug it in directly")
    if depth == 0:
        return Verdict(FITS, "the stick hangs at the host's own port and is no hub itself")
    return Verdict(UNKNOWN, "the capture shows no hub and no port; plugged in directly a stick needs no hub support")


def _hub_depth(look: Look, value: int, board: Board) -> Verdict:
    depth = look.hubs
    if depth is None:
        return Verdict(UNKNOWN, "the capture shows no hub and no port")
    if depth > value:
        return Verdict(BREAKS, f"the stick hangs behind {count_of(depth, 'hub')} in a row, the board drives {value}",
                       "plug it in nearer to the host; some hubs are two in one case")  # fmt: skip
    return Verdict(FITS, f"{count_of(depth, 'hub')} between the host's own port and the stick")


def _slower(look: Look, board: Board) -> str:
    """The board's speed where it is below the one that the capture shows, else ""."""
    speed, mine = look.stick.speed, board.get("bus.speed")
    return mine if speed in SPEEDS and mine and SPEEDS.index(mine) < SPEEDS.index(speed) else ""


def _control_packet(look: Look, value: int, board: Board) -> Verdict:
    slower = _slower(look, board)
    if len(look.device.descriptor) < 8:
        return Verdict(UNKNOWN, "no device descriptor in this capture", "record its plugging in")
    size = look.device.descriptor[7]
    size = 1 << min(size, 15) if look.device.superspeed else size
    why = f"bMaxPacketSize0 is {size}"
    if slower and size > 64:
        size, why = 64, f"bMaxPacketSize0 is {size} at SuperSpeed; at {slower} speed it is 64 at most (USB 2.0 5.5.3)"
    if size > value:
        return Verdict(BREAKS, f"{why}, the board takes {value}", "a larger control packet buffer in the host stack")
    return Verdict(FITS, why)


def _bulk_packet(look: Look, value: int, board: Board) -> Verdict:
    size, slower = look.stick.bulk_packet, _slower(look, board)
    if not size:
        return Verdict(UNKNOWN, "no endpoint descriptors in this capture", "record its plugging in")
    why = f"bulk packets have {size} bytes"
    if slower:
        most = 64 if slower == "full" else 512
        size, why = min(size, most), f"{why} here; at {slower} speed {most} at most (USB 2.0 5.8.3)"
    if size > value:
        return Verdict(BREAKS, f"{why}, the board takes {value}", "a larger bulk packet buffer in the host stack")
    return Verdict(FITS, why)


def _power(look: Look, value: int, board: Board) -> Verdict:
    device = look.device
    current = device.current()
    if current is None:
        return Verdict(UNKNOWN, "no configuration descriptor in this capture", "record its plugging in")
    need = current.max_power_ma(device.superspeed)
    why = f"bMaxPower is {need} mA (USB 2.0 9.6.3)"
    if device.superspeed:
        why = f"bMaxPower is {need} mA at SuperSpeed; at USB 2.0 speeds the stick may state another"
    if current.self_powered:
        why += ", self-powered"
    if need <= value:
        return Verdict(FITS, f"{why}; what it draws while writing is best measured (common practice)")
    return Verdict(BREAKS, f"{why}, the board gives {value} mA",
                   f"a powered hub or a stronger supply for the socket; {BACK_FEED}")  # fmt: skip


def _attention(look: Look, value: bool, board: Board) -> Verdict:
    at = look.seen.attention
    seen = f"the stick reports a unit attention (exchange {at})" if at else ""
    if value:
        return Verdict(FITS, seen or "no unit attention in this capture")
    if at:
        return Verdict(BREAKS, seen, "read the sense and send the command again: a unit attention is news, no failure")
    return Verdict(UNKNOWN, "no unit attention in this capture, but sticks report one after power-on or a change of "
                   "medium (common practice)", "let the host send the command again after sense key 6")  # fmt: skip


def _ready_wait(look: Look, value: int, board: Board) -> Verdict:
    seen = look.seen
    if not seen.asked_ready:
        return Verdict(UNKNOWN, "no TEST UNIT READY in this capture", "record its plugging in")
    late = _headstart(look)
    if seen.ready_ns < 0:
        took = max(0, seen.last_ns - seen.first_ns)
        verdict = BREAKS if took > value * 1_000_000 else UNKNOWN
        why = f"not ready until the capture ends, {time_in_words(took)} after its first command"
        return Verdict(verdict, why, "wait longer, and look at the sense: an empty slot never gets ready")
    took = max(0, seen.ready_ns - seen.first_ns)
    why = f"ready {time_in_words(took)} after its first command{late}"
    if took > value * 1_000_000:
        return Verdict(BREAKS, f"{why}, the board waits {value} ms", "wait longer: 5 to 30 s (common practice)")
    return Verdict(FITS, why)


def _headstart(look: Look) -> str:
    start = look.times.get("configuration", -1)
    if start < 0 or look.seen.first_ns <= start:
        return ""
    return f", which this host sent {time_in_words(look.seen.first_ns - start)} after SET_CONFIGURATION"


def _timeout(look: Look, value: int, board: Board) -> Verdict:
    seen = look.seen
    if not seen.slowest:
        return Verdict(UNKNOWN, "no storage command in this capture", "record some reads and writes")
    why = f"the slowest command took {time_in_words(seen.slowest_ns)} (exchange {seen.slowest}, {seen.slowest_text})"
    if seen.slowest_ns > value * 1_000_000:
        return Verdict(BREAKS, f"{why}, the board gives up after {value} ms",
                       "a longer timeout: at least 5 s for reads, 30 s for writes (common practice)")  # fmt: skip
    return Verdict(FITS, why)


def _nak_wait(look: Look, value: int, board: Board) -> Verdict:
    wire = look.wire
    if wire is None:
        return Verdict(UNKNOWN, "a capture of a host does not show NAK", "record packets on the bus")
    why = f"the longest wait in NAK is {time_in_words(wire.longest_ns)}"
    why += f" (exchange {wire.longest})" if wire.longest else ""
    if wire.longest_ns > value * 1_000_000:
        return Verdict(BREAKS, f"{why}, the board gives up after {value} ms",
                       "no limit on NAK but that of the whole command (USB 2.0 5.8 sets none)")  # fmt: skip
    return Verdict(FITS, why)


def _luns(look: Look, value: int, board: Board) -> Verdict:
    units = look.stick.units.values()
    full = sorted(unit.lun for unit in units if unit.capacity and (not unit.identity or unit.identity.device_type == 0))
    if not full:
        empty = f"; without a medium: LUN {', '.join(map(str, sorted(look.seen.empty)))}" if look.seen.empty else ""
        return Verdict(UNKNOWN, f"no logical unit with a disk medium in this capture{empty}",
                       "scan every unit up to Get Max LUN")  # fmt: skip
    why = f"a medium is in LUN {', '.join(map(str, full))}"
    if full[0] < value:
        return Verdict(FITS, why)
    return Verdict(BREAKS, f"{why}, the board looks at {count_of(value, 'unit')} from LUN 0 on",
                   f"scan at least {count_of(full[0] + 1, 'unit')}")  # fmt: skip


def _transfer(look: Look, value: int, board: Board) -> Verdict:
    seen = look.seen
    moved = f"the largest READ or WRITE that passed moved {bytes_in_words(seen.moved)}" if seen.moved else ""
    if seen.choked and seen.choked <= value and seen.choked > seen.moved:
        return Verdict(BREAKS, f"a command of {bytes_in_words(seen.choked)} broke off (exchange {seen.choked_at}); "
                       f"{moved or 'none passed'}", "smaller transfers: 64 KiB, then 32 KiB (common practice); look at "
                       "power too")  # fmt: skip
    if seen.moved >= value:
        return Verdict(FITS, moved)
    return Verdict(UNKNOWN, f"{moved or 'no READ or WRITE in this capture'}, the board sends up to "
                   f"{bytes_in_words(value)}", "record larger reads")  # fmt: skip


def _block_lengths(look: Look, value: list[int], board: Board) -> Verdict:
    found = {unit.capacity.block_length for unit in look.stick.units.values() if unit.capacity}
    if not found:
        return Verdict(UNKNOWN, "no READ CAPACITY in this capture", "record its plugging in")
    why = f"blocks of {_either(found)} bytes"
    if found <= set(value):
        return Verdict(FITS, why)
    return Verdict(BREAKS, f"{why}, the board takes {_either(value)}",
                   "another stick: formatting does not change the block length; or a file layer for it")  # fmt: skip


def _lba_bits(look: Look, value: int, board: Board) -> Verdict:
    found = [unit.capacity for unit in look.stick.units.values() if unit.capacity]
    beyond = any(unit.beyond for unit in look.stick.units.values())
    if not found and not beyond:
        return Verdict(UNKNOWN, "no READ CAPACITY in this capture", "record its plugging in")
    last = max((capacity.last_lba for capacity in found), default=0)
    why = f"the last block address is {last:,}"
    if beyond and not found:
        why = "READ CAPACITY(10) answers that the capacity does not fit into 32 bits"
        last = max(last, 1 << 32)
    if last >> value:
        why += f", the board counts to {(1 << value) - 1:,}"
        return Verdict(BREAKS, why, "a smaller stick, or wider addresses in the host stack")
    return Verdict(FITS, why)


def _either(values: Iterable[Any]) -> str:
    return " or ".join(str(value) for value in sorted(values))


_CHECKS: dict[str, Callable[[Look, Any, Board], Verdict]] = {
    "bus.speed": _speed, "bus.hubs": _hubs, "bus.hub_depth": _hub_depth, "bus.control_packet": _control_packet,
    "bus.bulk_packet": _bulk_packet, "power.vbus_ma": _power, "host.retries_unit_attention": _attention,
    "host.ready_wait_ms": _ready_wait, "host.command_timeout_ms": _timeout, "host.nak_wait_ms": _nak_wait,
    "host.luns_scanned": _luns,
    "host.largest_transfer": _transfer, "medium.block_lengths": _block_lengths, "medium.lba_bits": _lba_bits,
    "volume.partition_schemes": partition_schemes, "volume.file_systems": file_systems,
    "volume.long_names": long_names,
}  # fmt: skip
