"""A serial line, by the package pyserial. A line that goes away is waited for; what it then brings is read on."""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from threading import Event
from typing import Any

from sticktrace.capture.live.inlets import CHUNK, Remark
from sticktrace.capture.live.rights import complaint
from sticktrace.errors import CaptureError, SticktraceError

USUAL_BAUD = 115_200
"""What most boards' consoles run at (common practice)."""
_WAIT, _COME_BACK = 0.1, 0.2
_NUMBER = re.compile(r"(?:\[Errno |\()(\d{1,3})\b")
_NEEDS = "a serial line needs the package pyserial: pip install 'sticktrace[serial]'"


class SerialLine:
    """A line by its name, 8 data bits, no parity, one stop bit."""

    def __init__(self, name: str, baud: int = 0) -> None:
        try:
            import serial
        except ImportError as error:
            raise SticktraceError(_NEEDS) from error
        self.name, self._baud, self._serial = name, baud or USUAL_BAUD, serial
        self.how = f"at {self._baud} baud"
        try:
            self._line = self._open()
        except (OSError, ValueError) as error:
            raise CaptureError(complaint(Path(name), _cause(error))) from error

    def _open(self) -> Any:
        """The line, kept from other programs where the system can do that: bytes that two read are bytes lost."""
        make, name, baud = self._serial.Serial, self.name, self._baud
        try:
            return make(name, baud, timeout=_WAIT, exclusive=True)
        except ValueError:  # a system without that
            return make(name, baud, timeout=_WAIT)

    def chunks(self, stop: Event, remark: Remark) -> Iterator[bytes]:
        line = self._line
        while not stop.is_set():
            try:
                chunk = line.read(max(1, min(line.in_waiting, CHUNK)))
            except (OSError, TypeError):  # TypeError: pyserial's own, where the line was closed under its read
                with contextlib.suppress(OSError):
                    line.close()
                remark("the line went away; waiting for it to come back")
                line = self._back(stop)
                if line is None:
                    return
                remark("the line is back")
                continue
            if chunk:
                yield bytes(chunk)
        with contextlib.suppress(OSError):
            line.close()

    def _back(self, stop: Event) -> Any:
        """The line once it can be opened again, None if that was given up."""
        while not stop.wait(_COME_BACK):
            with contextlib.suppress(OSError, ValueError):
                return self._open()
        return None


def _cause(error: Exception) -> Exception:
    """What the system said, which pyserial tells in its own exception, sometimes without the number."""
    code = getattr(error, "errno", None)
    if code is None and (found := _NUMBER.search(str(error))):
        code = int(found[1])
    return OSError(code, os.strerror(code)) if code else error
