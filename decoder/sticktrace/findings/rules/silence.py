"""When a device falls silent: the first command without an answer counts, the rest are its consequence."""

from __future__ import annotations

from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.rules import trouble as remarks
from sticktrace.sticks.learning import ACCESSES, INQUIRY, READ_CAPACITY_10, REQUEST_SENSE, TEST_UNIT_READY
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.unit import Unit
from sticktrace.text import count_of
from sticktrace.transport.items import FAILED, PASSED, Exchange

_ORDINARY = ACCESSES | {TEST_UNIT_READY, REQUEST_SENSE, INQUIRY, READ_CAPACITY_10}
"""Commands that every stick answers."""


class _Hang:
    """A first command without an answer, what came before it, and how many followed it in vain."""

    __slots__ = ("before", "first", "more")

    def __init__(self, first: Exchange, before: Exchange | None) -> None:
        self.first, self.before, self.more = first, before, 0


class Silence:
    """Shown every remarkable exchange, it tells whether a failure only goes on from an earlier one."""

    def __init__(self) -> None:
        self._now: dict[Stick, _Hang] = {}
        self._all: dict[Stick, list[_Hang]] = {}
        self._before: dict[Stick, Exchange] = {}

    def see(self, exchange: Exchange, unit: Unit) -> None:
        """Take in an exchange, before its aftermath."""
        stick = unit.stick
        if exchange.status in (PASSED, FAILED):
            self._now.pop(stick, None)
        elif stick not in self._now:
            last = max((u.last for u in stick.units.values() if u.last is not None), key=_number, default=None)
            if last is not None:
                self._before[stick] = last

    def goes_on(self, aftermath: Aftermath) -> bool:
        """Whether the device had been silent before this command. If not, a silence may begin with it."""
        exchange, stick = aftermath.trouble, aftermath.stick
        if not isinstance(exchange, Exchange) or not _unanswered(exchange, aftermath):
            return False
        hang = self._now.get(stick)
        if hang is not None and hang.first is not exchange:
            hang.more += 1
            return True
        if hang is None:
            self._now[stick] = hang = _Hang(exchange, self._before.pop(stick, None))
            self._all.setdefault(stick, []).append(hang)
        return False

    def cause(self, stick: Stick, exchanges: list[int]) -> str:
        """The likeliest cause where the last command that was answered is one that a device may choke on; else ""."""
        hang = self._long(stick, exchanges)
        if hang is None or hang.before is None or hang.before.opcode in _ORDINARY:
            return ""
        return f"{hang.before.command} in exchange {hang.before.number} upset the device's firmware"

    def _long(self, stick: Stick, exchanges: list[int]) -> _Hang | None:
        found = (hang for hang in self._all.get(stick, ()) if hang.more and hang.first.number in exchanges)
        return next(found, None)

    def words(self, stick: Stick, exchanges: list[int]) -> str:
        """What followed in vain the failures of these numbers, and what came before the first; "" for nothing."""
        hang = self._long(stick, exchanges)
        if hang is None:
            return ""
        text = f"; the {count_of(hang.more, 'command')} after it got no answer either"
        if hang.before is not None:
            text += f"; the last that was answered is {hang.before.command} in exchange {hang.before.number}"
        return text


def _number(exchange: Exchange) -> int:
    return exchange.number


def _unanswered(exchange: Exchange, aftermath: Aftermath) -> bool:
    """Whether nothing came back: the host gave up waiting, or the bus carried no answer."""
    statuses = remarks.statuses(exchange)
    waited = aftermath.waited_ns >= remarks.WAIT_NS
    return not exchange.moved and (waited or bool(statuses & (remarks.TIMED_OUT | remarks.BUS_ERROR)))
