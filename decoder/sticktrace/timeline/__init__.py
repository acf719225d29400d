"""One time line: what a host wrote down, woven between the traffic of a capture.

`add_log` puts a log beside a capture. Both are read once to find out how their clocks differ (`landmarks`, `clocks`)
and which device of the log is which of the bus (`kinship`); then every pass over the capture has the log's lines in
their places (`strand`).
"""

from sticktrace.timeline.beside import LogBeside, Logs, add_log, open

__all__ = ["LogBeside", "Logs", "add_log", "open"]
