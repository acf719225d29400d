"""Stages, findings, timing, comparison and board fit.

with sticktrace.open("stick.pcap") as capture:
    diagnosis = diagnose(capture.reading())
    print(diagnosis.verdict)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sticktrace.findings.verdict import Diagnosis, diagnose

__all__ = ["Diagnosis", "diagnose"]


def __getattr__(name: str) -> Any:
    """Bring the rules in when they are first used."""
    if name in __all__:
        from sticktrace.findings import verdict

        return getattr(verdict, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
