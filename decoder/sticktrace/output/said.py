"""What logs beside a capture say between its exchanges, gathered while the items of a pass go by."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sticktrace.capture.logs import Kind
from sticktrace.transport.items import Exchange, Item, Saying


class Said:
    """What logs say between the exchanges. ``chosen``: only what they say of exchanges that are shown."""

    def __init__(self, chosen: bool) -> None:
        self._chosen = chosen
        self._waiting: list[Saying] = []

    def passing(self, items: Iterable[Item]) -> Iterator[Item]:
        """The items of a pass as they are; what logs say among them is kept."""
        for item in items:
            if isinstance(item, Saying) and item.statement.log and self._wanted(item):
                self._waiting.append(item)
            yield item

    def _wanted(self, item: Saying) -> bool:
        return item.statement.kind is not Kind.NEWS and (not self._chosen or isinstance(item.blames, Exchange))

    def before(self, number: int) -> list[Saying]:
        """What was said since the exchange before, now that the one of this number is shown."""
        if self._chosen:
            self._waiting = [saying for saying in self._waiting if _blamed(saying) >= number]
            return []
        said, self._waiting = self._waiting, []
        return said

    def after(self, number: int) -> list[Saying]:
        """What was said of the exchange that was shown, where only that is; 0 for what was said last of all."""
        if not self._chosen:
            return [] if number else self.before(number)
        return [saying for saying in self._waiting if _blamed(saying) == number]


def _blamed(saying: Saying) -> int:
    return saying.blames.number if isinstance(saying.blames, Exchange) else 0
