"""The terminal screen of sticktrace: read a capture by its exchanges."""

from __future__ import annotations

from collections.abc import Callable, Iterable

__all__ = ["run"]


def run(
    path: str,
    follow: bool = False,
    against: str = "",
    grows: Callable[[], bool] = lambda: True,
    logs: Iterable[tuple[str, float | None]] = (),
    teach: bool = False,
) -> tuple[int, str]:
    """Show a capture until the reader leaves. ``follow`` reads on while the file grows and ``grows`` says that it may.
    ``logs`` are put beside the capture, each with its offset in seconds, None for one to be found out.
    ``teach`` begins with the exchanges, their meanings kept back.
    Returns (exit status, one line on what went wrong or "")."""
    from sticktrace_tui.app import ScreenApp

    app = ScreenApp(path, follow, against, grows, logs=logs, teach=teach)
    trouble = app.run()
    return app.return_code or 0, trouble or ""
