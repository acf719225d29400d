"""Which way data goes. Apart from `command`, so that those who only need the word import no layouts."""

from __future__ import annotations

from enum import StrEnum


class Direction(StrEnum):
    """The way of a data phase, seen from the host."""

    NONE = "none"
    IN = "in"
    OUT = "out"


NONE, IN, OUT = Direction
