"""The terminal screen of sticktrace: read a capture by its exchanges."""

from __future__ import annotations

__all__ = ["run"]


def run(path: str, follow: bool = False, against: str = "") -> tuple[int, str]:
    """Show a capture until the reader leaves. Returns (exit status, one line on what went wrong or "")."""
    from sticktrace_tui.app import ScreenApp

    app = ScreenApp(path, follow, against)
    trouble = app.run()
    return app.return_code or 0, trouble or ""
