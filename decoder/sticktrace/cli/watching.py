"""One source being watched: what comes is read, told and judged until the source ends or somebody has seen enough."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import chain
from typing import Any

from sticktrace.capture.live.feed import Feed
from sticktrace.capture.source import Source
from sticktrace.findings.finding import NOTE
from sticktrace.findings.live import Account, Pending, SoFar, in_trouble
from sticktrace.findings.verdict import Diagnosis, diagnose
from sticktrace.following import Following
from sticktrace.output.watch_lines import Voice
from sticktrace.sticks.stages import Stage
from sticktrace.text import wrapped
from sticktrace.transport.items import Exchange, Item

_TURN = 0.05
"""Seconds that a wait for bytes lasts before the clock is looked at."""
_QUIET = 0.1
"""Seconds without a byte after which what waits for more is shown as it stands."""
_CALM, _LATEST = 0.5, 3.0
"""A verdict is made when nothing has come for so long after trouble, or trouble is so old."""
_HUNG = "when this ended, something (marked ! above) had long been without an answer; the recording ends before that"
_LEFT = 1.0
"""A capture that has not grown for so long is left for the next one."""
_SHOW = 0.05


@dataclass(slots=True)
class Until:
    """What makes an end: a stage reached, a time by the monotonic clock, somebody who asks."""

    stage: Stage | None = None
    time: float = float("inf")
    asked: Callable[[], bool] = lambda: False

    @property
    def over(self) -> bool:
        """Whether it is time to end."""
        return self.asked() or time.monotonic() >= self.time


class Watching:
    """``run`` returns the diagnosis; ``reached`` says then whether the stage that was waited for was, ``hangs`` whether
    something had been under way for long when it ended, which a recording that ends there cannot show."""

    def __init__(self, source: Source, feed: Feed, voice: Voice, until: Until, columns: int = 0, patterns: Any = None):
        self.following = Following(source, patterns)
        self.reached = self.hangs = False
        self._feed, self._voice, self._until, self._columns = feed, voice, until, columns
        self._account: Account | None = None
        self._so_far = SoFar(self.following)
        self._rest: Iterator[Item] = iter(())
        """Of what has come, what was left when the end was asked for."""
        self._passes = 0
        self._trouble_at = 0.0
        self._said = ""
        self._pending = Pending()
        self._quiet, self._ending = True, False
        self._shown = 0.0

    def run(self, superseded: Callable[[], bool] = lambda: False) -> Diagnosis:
        """Watch to the end. ``superseded`` is asked whenever the source is quiet: whether another one takes its place.
        Raises CaptureError for what no form fits."""
        feed = self._feed
        self._say(self._voice.watching(feed.source))
        sys.stdout.flush()
        feed.start()
        try:
            while not self._over:
                ended = feed.ended
                self._turn()
                if ended or (time.monotonic() - feed.last > _LEFT and superseded()):
                    break
                feed.moved.wait(_TURN)
                feed.moved.clear()
        finally:
            feed.stop()
        return self._end()

    # -- while it comes ------------------------------------------------------------------------------------------

    def _turn(self) -> None:
        """Take in what has come."""
        self._remarks()
        self._take(self.following.take())
        quiet_for = time.monotonic() - self._feed.last
        if quiet_for < _QUIET:
            self._quiet = False
        elif not self._quiet:
            self._quiet = True
            if not self._feed.ended:
                self._take(self.following.settle())
        if self._quiet:
            self._show_pending()
        self._judge(quiet_for)
        sys.stdout.flush()

    def _take(self, items: Iterator[Item]) -> None:
        self._rest = items
        for item in items:
            if self.following.passes != self._passes:
                self._begin()
            account = self._account
            assert account is not None
            climbs = account.see(item)
            self._say(self._voice.item(item, account.scene.ledger.label if isinstance(item, Exchange) else ""))
            for climb in climbs:
                self._say(self._voice.climb(climb))
            if not self._trouble_at and in_trouble(item):
                self._trouble_at = time.monotonic()
            if climbs and self._until.stage is not None and account.reached(self._until.stage):
                self.reached = True
            if time.monotonic() - self._shown > _SHOW:
                self._shown = time.monotonic()
                sys.stdout.flush()
                if self._over:
                    break

    @property
    def _over(self) -> bool:
        """Whether somebody has seen enough; what has come by then is still read."""
        return not self._ending and (self.reached or self._until.over)

    def _begin(self) -> None:
        """The form is known, or known better: begin anew."""
        reading = self.following.reading
        assert reading is not None
        if self._passes:
            self._say(self._voice.remark("what came since shows another form; read again from the beginning"))
        self._passes, self._account = self.following.passes, Account(reading)
        self._pending = Pending()
        self._say(self._voice.begin(self.following.source.name, reading.reader.form))

    def _show_pending(self) -> None:
        """Show what has begun and waits."""
        reading = self.following.reading
        if reading is None:
            return
        for pending, hangs in self._pending.look(reading):
            if self.following.passes != self._passes:
                self._begin()
            self._say(self._voice.under_way(pending, hangs))
            if hangs:
                self._trouble_at = self._trouble_at or time.monotonic()

    def _judge(self, quiet_for: float) -> None:
        """Have a verdict made when there was trouble, and say it when it is a new one."""
        due = quiet_for > _CALM or time.monotonic() - self._trouble_at > _LATEST
        if self._trouble_at and due and self._so_far.ask():
            self._trouble_at = 0.0
        found = self._so_far.take()
        if found is None or found.worst in ("", NOTE):
            return
        main = found.answer.main
        said = f"{main.device} {main.slug}" if main is not None else found.answer.way
        if said != self._said:
            self._said = said
            self._say(self._voice.so_far(found))

    def _remarks(self) -> None:
        while self._feed.remarks:
            self._say(self._voice.remark(f"{self._feed.remarks.popleft()}"))

    def _say(self, lines: Iterator[str]) -> None:
        for line in lines:
            for piece in chain.from_iterable(wrapped(part, self._columns) for part in line.split("\n")):
                sys.stdout.write(piece + "\n")

    # -- the end -------------------------------------------------------------------------------------------------

    def _end(self) -> Diagnosis:
        self._remarks()
        self._ending, self.hangs = True, self._quiet and self._pending.hangs
        self._take(chain(self._rest, self.following.finish()))
        if self._passes != self.following.passes:
            self._begin()
        assert self._account is not None
        fresh = self.following.fresh() if self.following.settled else None
        diagnosis = self._account.conclude() if fresh is None else diagnose(fresh)
        self._say(self._voice.end(diagnosis))
        if self.hangs:
            self._say(self._voice.remark(_HUNG))
        return diagnosis
