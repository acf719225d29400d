"""Transfers that fail for their size: what is larger than some limit breaks off on the transport (common practice)."""

from __future__ import annotations

from sticktrace.findings.aftermath import Aftermath
from sticktrace.findings.patterns import by_slug
from sticktrace.findings.rules import trouble as remarks
from sticktrace.findings.rules.rule import Rule
from sticktrace.sticks.stick import Stick
from sticktrace.sticks.tally import Tally
from sticktrace.text import bytes_in_words, count_of
from sticktrace.transport.items import MISSING, Exchange

LAYER = "recovery"

LARGE_FAILS = by_slug("large-transfers-fail")

_MOST, _LEAST_LARGE = 256, 16_384


class Sizes(Rule):
    """Holds the sizes that failed against the largest that worked. Told before the single failures, whose cause the
    size then is."""

    layer = LAYER
    patterns = (LARGE_FAILS,)

    def begin(self) -> None:
        self.failed: dict[int, tuple[Stick, list[int], Tally]] = {}

    def aftermath(self, aftermath: Aftermath) -> None:
        exchange = aftermath.trouble
        if not isinstance(exchange, Exchange) or exchange.status != MISSING or exchange.expected <= 512:
            return
        statuses, gone = remarks.statuses(exchange), remarks.left(exchange)
        if gone or remarks.cut_short(exchange) or exchange.stalled or "detached" in aftermath.kinds():
            return
        broke = statuses & (remarks.BUS_ERROR | remarks.TIMED_OUT) or aftermath.waited_ns >= remarks.WAIT_NS
        if not broke or remarks.BABBLE in statuses or statuses & remarks.GONE:
            return
        _, sizes, tally = self.failed.setdefault(id(aftermath.stick), (aftermath.stick, [], Tally()))
        tally.add(exchange.time_ns, exchange.number, exchange.records)
        sizes.append(exchange.expected)
        del sizes[:-_MOST]

    def end(self) -> None:
        for stick, sizes, tally in self.failed.values():
            largest = max((max(u.largest_in, u.largest_out) for u in stick.units.values()), default=0)
            if tally.count >= 2 and largest and min(sizes) > max(largest, _LEAST_LARGE):
                text = f"{count_of(tally.count, 'transfer')} of {bytes_in_words(min(sizes))} and more failed, "
                text += f"the largest that worked moved {bytes_in_words(largest)}"
                self.report(LARGE_FAILS, text, stick, tally)


RULES = (Sizes,)
