"""Captures that still come: bytes from a pipe, a growing file, a recorder's device or a serial line.

An inlet hands out chunks of bytes (`inlets`, `serial_line`); a `Feed` writes each into a file before anybody looks at
it; the file is then a `Source` that grows, read by the same readers as any other capture.
"""
