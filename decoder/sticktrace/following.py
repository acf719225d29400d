"""A capture that still comes: one pass over what is there, and on over what comes.

What a capture is can be told only when enough of it is there, and the first bytes may mislead: a board's console speaks
of its boot before it prints a transfer. So the form is looked at again while the capture is young, and where more of it
shows another form, the pass begins anew. In the end it was read as it would be read from a file.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from sticktrace.capture import SAMPLE, Reader
from sticktrace.capture.source import Source, open_source
from sticktrace.capture.text_lines import WRAPPER
from sticktrace.capture.usbmon_text import looks_like as looks_like_usbmon
from sticktrace.errors import CaptureError
from sticktrace.session import Capture, Progress, Reading
from sticktrace.transport.items import Item
from sticktrace.transport.run import Run

if TYPE_CHECKING:
    from sticktrace.capture.line_patterns import LinePatterns

_REST = 3
"""So many times as long as a look at the form took, it is not looked at again."""
_LOOK_SIZE = 1 << 16
_TEXTS = frozenset(("hex text", "log"))
_FINAL = re.compile(rb"\xd4\xc3\xb2\xa1|\xa1\xb2\xc3\xd4|\x4d\x3c\xb2\xa1|\xa1\xb2\x3c\x4d|\xfd7zXZ\0|\x1f\x8b")
"""First bytes behind which nothing changes what a capture is: pcap's, and those of packed files."""
_PACKED = "is packed, and what grows is read as it is: sticktrace diagnose unpacks it when it is complete"


class Following:
    """Reads a source that grows. `take` gives the items of what has come since, `settle` those of what waits only for a
    line that might go on, `finish` the last ones.

    ``capture`` and ``reading`` are None until the form is known; ``passes`` counts how often reading began: where it is
    more than before, all that was given so far is given again. ``settled`` says that `settle` brought something, which
    a pass over the whole might have read otherwise.
    """

    def __init__(self, source: Source, patterns: LinePatterns | None = None, progress: Progress | None = None) -> None:
        self._progress = progress
        source.live = True
        self.source, self.passes, self.settled = source, 0, False
        self.capture: Capture | None = None
        self.reading: Reading | None = None
        self._patterns = patterns
        self._looked_at = self._seen = 0
        self._not_before, self._looks = 0.0, 0
        self._trouble: CaptureError | None = None

    def take(self) -> Iterator[Item]:
        """The items of what has come."""
        reading = self._renewed()
        if reading is not None:
            yield from reading.more()

    def take_parts(self) -> Iterator[Item | Run]:
        """The same with plain exchanges left together, see `Reading.parts`."""
        reading = self._renewed()
        if reading is not None:
            yield from reading.more_parts()

    def _renewed(self) -> Reading | None:
        if self.source.refresh() or self.reading is None:
            self._look()
        return self.reading

    def settle(self) -> Iterator[Item]:
        """Nothing has come for a while."""
        if self.reading is not None:
            for item in self.reading.settle():
                self.settled = True
                yield item

    def finish(self) -> Iterator[Item]:
        """Nothing more will come. Raises CaptureError for what no form fits."""
        self.source.refresh()
        self._look(for_certain=True)
        if self.reading is None:
            raise self._trouble or CaptureError(f"{self.source.name}: nothing came")
        yield from self.reading.more()
        yield from self.reading.finish()

    def fresh(self) -> Reading | None:
        """A pass of its own over what is there now, not begun."""
        return None if self.capture is None else self.capture.reading(tell=False)

    def close(self) -> None:
        """Let go of the source."""
        self.source.close()

    # -- the form ------------------------------------------------------------------------------------------------

    def _look(self, *, for_certain: bool = False) -> None:
        """Find out which form the capture has, if what has come may tell."""
        data = self.source.data
        began = time.monotonic()
        young = len(data) > 0 and self._looked_at < min(len(data), SAMPLE)
        if not young or (not for_certain and (began < self._not_before or not self._may_tell(data))):
            return
        self._looked_at = self._seen = len(data)
        self.source.settle()
        try:
            found = Capture(self.source, self._progress, self._patterns)
        except CaptureError as error:
            self._trouble = error
            if _FINAL.match(bytes(data[:6])) and len(data) >= 24:
                packed = bytes(data[:2]) in (b"\xfd7", b"\x1f\x8b")
                raise CaptureError(f"{self.source.name}: {_PACKED}") if packed else error from error
        else:
            reading = found.reading()
            if self.reading is None or _kind(reading.reader) != _kind(self.reading.reader):
                self.capture, self.reading = found, reading
                self.passes += 1
        if self._looks:  # the first one brings the tables of patterns in
            self._not_before = time.monotonic() + _REST * (time.monotonic() - began)
        self._looks += 1

    def _may_tell(self, data: bytes) -> bool:
        """Whether what has come since the last look may say something new of the form."""
        size = len(data)
        if self.reading is None or size >= 2 * self._looked_at:
            return True
        if self.reading.reader.form not in _TEXTS:
            return False
        fresh = bytes(data[max(self._seen - 64, size - _LOOK_SIZE, 0) :])
        self._seen = size
        return looks_like_usbmon(fresh) or (self.reading.reader.form == "log" and WRAPPER.search(fresh) is not None)


def follow(path: str | Path, progress: Progress | None = None) -> Following:
    """Follow a file that is still being written, of any accepted form; it may be empty yet. Raises CaptureError."""
    return Following(open_source(path, progress), None, progress)


def _kind(reader: Reader) -> tuple[type, type]:
    return type(reader), reader.join_as
