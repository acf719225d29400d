"""Logs as a capture form: what kernels, boot loaders, firmware and board programs say of a stick, line by line.

Lines become `Statement`s by a table of patterns kept as data (``tables/*.toml``); the lines that tell of one failed
command are put together. Nothing here knows devices: who is meant, and what it means, is for the rooms above.
"""

from sticktrace.capture.logs.reader import LogReader, strength
from sticktrace.capture.logs.statement import NOBODY, About, Kind, Statement

__all__ = ["NOBODY", "About", "Kind", "LogReader", "Statement", "strength"]
