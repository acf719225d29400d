"""How far commands went through a file, one after the other."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from sticktrace.volume.tree import Node

if TYPE_CHECKING:
    from sticktrace.transport.items import Exchange


class Progress(NamedTuple):
    """A file that commands went through in order: bytes ``begin`` to ``reach`` - 1 of ``size``, in so many ``commands``
    from exchange ``first`` to ``last``, which ended at ``last_ns``."""

    path: str
    begin: int
    reach: int
    size: int
    commands: int
    first: int
    last: int
    last_ns: int

    @property
    def whole(self) -> bool:
        """Whether it came to the end of the file."""
        return self.reach >= self.size


class Sweep(NamedTuple):
    """Blocks ``lba`` to ``reach`` - 1, which so many ``commands`` went through in order, whatever they are for."""

    lba: int
    reach: int
    commands: int
    first: int
    last: int
    last_ns: int


class Going:
    """Follows the commands of one direction. A command for another file, or for another place in it, begins anew."""

    __slots__ = ("_begin", "_commands", "_first", "_last", "_last_ns", "_node", "_reach")

    def __init__(self) -> None:
        self._node: Node | None = None
        self._begin = self._reach = self._commands = self._first = self._last = 0
        self._last_ns = -1

    def see(self, node: Node | None, begin: int, count: int, exchange: Exchange) -> None:
        """A command moved ``count`` bytes from ``begin`` on of a file, or blocks of the medium without a node."""
        if not self._commands or node is not self._node or not self._begin <= begin <= self._reach:
            self._node, self._begin, self._reach = node, begin, begin
            self._first, self._commands = exchange.number, 0
        self._reach = max(self._reach, begin + count)
        self._commands += 1
        self._last, self._last_ns = exchange.number, exchange.end_ns

    @property
    def sweep(self) -> Sweep | None:
        """The blocks gone through last, where those were followed."""
        if not self._commands:
            return None
        return Sweep(self._begin, self._reach, self._commands, self._first, self._last, self._last_ns)

    def told(self, as_of: int | None = None) -> Progress | None:
        """The file gone through last; None for no file, or where that was after exchange ``as_of``."""

        node = self._node
        if node is None or (as_of is not None and self._last > as_of):
            return None
        size = node.entry.size
        reach = min(self._reach, size) if size else self._reach
        return Progress(node.path, self._begin, reach, size, self._commands, self._first, self._last, self._last_ns)
