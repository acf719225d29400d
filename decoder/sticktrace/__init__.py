"""sticktrace reads recordings of USB mass-storage traffic and says what happened, command by command."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sticktrace.errors import CaptureError, LayoutError, SticktraceError

if TYPE_CHECKING:
    from sticktrace.session import Capture, open

__all__ = ["Capture", "CaptureError", "LayoutError", "SticktraceError", "open"]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """Bring the reading machinery in when it is first used, so that ``sticktrace --help`` stays instant."""
    if name in ("Capture", "open"):
        from sticktrace import session

        return getattr(session, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
