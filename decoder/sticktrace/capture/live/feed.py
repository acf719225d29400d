"""From an inlet into a file, in a thread of its own, so that what comes is kept while what came is being read."""

from __future__ import annotations

import time
from collections import deque
from threading import Event, Thread
from typing import IO, Protocol

from sticktrace.capture.live.inlets import Inlet
from sticktrace.errors import SticktraceError

_PATIENCE = 2.0
"""Seconds that `stop` waits for a chunk under way: beyond that the thread hangs in a read that brings nothing."""


class Sink(Protocol):
    """Where bytes are kept: `sticktrace.writing.recording.Recording` or `sticktrace.writing.scratch.Scratch`."""

    file: IO[bytes]

    def write(self, data: bytes) -> None:
        """Add some bytes. Raises SticktraceError."""

    def close(self) -> None:
        """Let go of it."""


class Feed(Thread):
    """Copies what an inlet gives into a sink until it ends, is stopped, or the sink can take no more.

    ``source`` is what it reads, in words; ``moved`` is set with every chunk, remark and at the end; ``ended`` says that
    nothing more will come; ``remarks`` are what happened to the source meanwhile, in words; ``error`` is what made an
    end of it, None for its own end; ``last`` is the time of the last chunk.
    """

    def __init__(self, inlet: Inlet, sink: Sink) -> None:
        super().__init__(daemon=True, name=f"feed of {inlet.name}")
        self.source = f"{inlet.name} {inlet.how}".strip()
        self.moved, self.ended = Event(), False
        self.remarks: deque[str] = deque()
        self.error: SticktraceError | None = None
        self.last = time.monotonic()
        self._inlet, self._sink, self._stopping = inlet, sink, Event()

    def run(self) -> None:
        try:
            for chunk in self._inlet.chunks(self._stopping, self._remark):
                self._sink.write(chunk)
                self.last = time.monotonic()
                self.moved.set()
        except SticktraceError as error:
            self.error = error
        except ValueError:
            pass  # the sink was closed: whoever read it has left
        finally:
            self.ended = True
            self.moved.set()

    def stop(self) -> None:
        """Take nothing more. What was read from the source is in the sink when this returns."""
        self._stopping.set()
        if self.is_alive():
            self.join(_PATIENCE)

    def _remark(self, words: str) -> None:
        self.remarks.append(words)
        self.moved.set()
