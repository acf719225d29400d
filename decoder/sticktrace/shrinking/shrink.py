"""Shrinking: whole sticks are taken out first, then exchanges and requests, then single records, each by halving, and
all of it again until nothing more can go. The result shrinks to itself."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from hashlib import blake2b
from pathlib import Path
from typing import Any

from sticktrace.capture.packets.reader import PacketReader
from sticktrace.capture.source import Source
from sticktrace.session import Capture, Reading
from sticktrace.shrinking.claims import Claim, chosen
from sticktrace.shrinking.halving import Group, halved
from sticktrace.shrinking.pieces import Pieces, pieces_of
from sticktrace.writing.scratch import Scratch

Observe = Callable[[Path], list[Claim]]
"""Everything that is said of the capture in a file."""

Progress = Callable[[int, int], None]
"""Called before each try with the tries so far and the pieces that are left."""


@dataclass(slots=True)
class Shrunk:
    """What came of it: how many pieces and bytes there were and are, in how many tries, whether to the end, or only up
    to the ``limit`` of tries or until it was ``stopped``."""

    claim: Claim
    pieces: tuple[int, int] = (0, 0)
    size: tuple[int, int] = (0, 0)
    tries: int = 0
    limit: int = 0
    stopped: bool = False

    @property
    def whole(self) -> bool:
        """Whether no group and no piece is left that could go."""
        return not self.stopped and self.tries < self.limit

    def in_words(self) -> list[str]:
        """What is kept, and how far it came."""
        (before, after), (large, small) = self.pieces, self.size
        how = "; nothing more can go" if self.whole else "; stopped there, more may go" if self.stopped else (
            f"; --tries {self.limit:,} is used up, more may go"
        )  # fmt: skip
        far = f"{before:,} records or lines, {large:,} bytes -> {after:,}, {small:,} bytes"
        return [f"kept: {self.claim}", f"{far}, in {self.tries:,} tries{how}"]


class _Enough(Exception):
    """The tries are used up."""


class Shrinker:
    """Makes a capture smaller. ``best`` is the smallest so far, a file that vanishes when it is closed."""

    def __init__(
        self, source: Source, words: str, observe: Observe, limit: int, progress: Progress, patterns: Any = None
    ) -> None:
        self._observe, self._progress, self._patterns, self._words = observe, progress, patterns, words
        self._failed: set[bytes] = set()
        self.best = self._written(source.data, [(0, len(source.data))])
        self._name = source.name
        self._limit = limit

    def run(self) -> Shrunk:
        """Shrink as far as it goes. An interrupt from the keyboard ends it with the smallest so far. Raises
        SticktraceError where nothing that is said fits the words."""
        claim = chosen(self._observe(Path(self.best.name)), self._words, self._name)
        result = self.result = Shrunk(claim, limit=self._limit)
        try:
            while self._round():
                pass
        except _Enough:
            pass
        except KeyboardInterrupt:
            result.stopped = True
        with _again(self.best) as source:
            result.size = (result.size[0], len(source.data))
            result.pieces = (result.pieces[0], len(pieces_of(source.data)))
        return result

    def close(self) -> None:
        """Let go of the smallest so far."""
        self.best.close()

    def _round(self) -> bool:
        """Take out what can go, once. Returns whether anything went."""
        with _again(self.best) as source:
            data = source.data
            pieces = pieces_of(data)
            if not self.result.pieces[0]:
                self.result.pieces, self.result.size = (len(pieces), 0), (len(data), 0)
            kept = bytearray(b"\1" * len(pieces))
            for groups in self._groups(pieces):
                there = [group for group in groups if any(kept[number] for number in group)]
                halved(there, lambda some: self._without(some, data, pieces, kept))
        return not all(kept)

    def _without(self, groups: list[Group], data: Any, pieces: Pieces, kept: bytearray) -> bool:
        """Whether the claim stands without some groups; if it does, they are gone."""
        less = bytearray(kept)
        for group in groups:
            for number in group:
                less[number] = 0
        if not any(less):
            return False
        spans = list(pieces.left(len(data), less))
        if self._stands(data, spans, sum(less)):
            kept[:] = less
            return True
        return False

    def _stands(self, data: Any, spans: list[tuple[int, int]], left: int) -> bool:
        """Whether the claim is made of these places of the data alone; if it is, they are the best so far."""
        digest = blake2b(digest_size=16)
        for start, end in spans:
            digest.update(data[start:end])
        key = digest.digest()
        if key in self._failed:
            return False
        if self.result.tries >= self.result.limit:
            raise _Enough
        self._progress(self.result.tries, left)
        self.result.tries += 1
        self._failed.add(key)
        file = self._written(data, spans)
        try:
            if self.is_kept(Path(file.name)):
                self.best, file = file, self.best
                return True
            return False
        finally:
            file.close()

    def is_kept(self, path: Path, words: bool = True) -> bool:
        """Whether the claim is made of the capture in a file; with its ``words``, or in others."""
        claim = self.result.claim
        said = self._observe(path)
        return any(
            one.kind == claim.kind and one.key == claim.key and (not words or one.fits(self._words)) for one in said
        )

    @staticmethod
    def _written(data: Any, spans: list[tuple[int, int]]) -> Any:
        scratch = Scratch(sum(end - start for start, end in spans), ".capture")
        for start, end in spans:
            scratch.write(data[start:end])
        return scratch.file

    # -- what goes together

    def _groups(self, pieces: Pieces) -> Iterator[list[Group]]:
        """Groups of pieces, the largest first: sticks, exchanges and requests, single pieces."""
        sticks, exchanges = self._items(pieces)
        if len(sticks) > 1:
            yield sticks
        if exchanges:
            yield exchanges
        yield [(number,) for number in range(len(pieces))]

    def _items(self, pieces: Pieces) -> tuple[list[Group], list[Group]]:
        """The pieces of each device, and of each item in order. None where a reading fails, or where its records are
        not the pieces, as in hex text."""
        try:
            with _again(self.best) as source, Capture(source, None, self._patterns) as capture:
                reading = capture.reading()
                told = list(_records(reading))
                if reading.records != pieces.records:
                    return [], []
        except Exception:  # what fails here may be the very claim: then single pieces have to do
            return [], []
        place = {number: index for index, number in enumerate(pieces.numbers) if number}
        taken: set[int] = set()
        sticks: defaultdict[tuple[int, int], list[int]] = defaultdict(list)
        exchanges: list[Group] = []
        for device, records in told:
            own = [place[number] for number in records if number in place and number not in taken]
            taken.update(records)
            sticks[device] += own
            exchanges.append(own)
        return [sorted(some) for some in sticks.values()], [some for some in exchanges if some]


def _records(reading: Reading) -> Iterator[tuple[tuple[int, int], list[int]]]:
    """The device of each item and its records. Of packets an item names the first and the last of each transfer: all
    between its ends are its own."""
    packets = isinstance(reading.reader, PacketReader)
    for item in reading:
        found = sorted(getattr(item, "records", ()))
        if packets and found:
            found = list(range(found[0], found[-1] + 1))
        if found:
            yield (getattr(item, "bus", 0), getattr(item, "address", 0)), found


@contextmanager
def _again(file: Any) -> Iterator[Source]:
    """The same file opened once more: the first handle keeps it alive."""
    with closing(Source("part", Path(file.name).open("rb"), [])) as source:
        yield source


def no_progress(_tries: int, _left: int) -> None:
    """Nobody looks."""
