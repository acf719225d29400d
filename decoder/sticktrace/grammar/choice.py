"""The choice between layouts that parameter data needs: pages and descriptors that say themselves what they are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from construct import Construct, Container, GreedyBytes, SizeofError

from sticktrace.grammar.layout import Layout, field


class Choice(Construct):  # type: ignore[misc]
    """A layout chosen from the fields read before it and from what comes next.

    ``pick(values, coming)`` gets the values so far and either the next bytes (up to 16) when parsing, or the value to
    be written when building. It must return a construct for anything; `RAW` serves as the last resort.
    """

    def __init__(self, pick: Callable[[Container, Any], Construct]) -> None:
        super().__init__()
        self.pick = pick

    def _parse(self, stream: Any, context: Container, path: str) -> Any:
        start = stream.tell()
        coming = stream.read(16)
        stream.seek(start)
        return self.pick(context, coming)._parsereport(stream, context, path)

    def _build(self, obj: Any, stream: Any, context: Container, path: str) -> Any:
        return self.pick(context, obj)._build(obj, stream, context, path)


RAW = GreedyBytes
"""Bytes left as they are, to the end of the bounds they stand in."""


def fitting(body: Construct | None, size: int) -> Construct:
    """A body as it is laid out where ``size`` bytes hold all of it, else raw: a device may print a shorter form."""
    if body is None:
        return RAW
    try:
        return body if int(body.sizeof()) <= size else RAW
    except SizeofError:  # its own fields tell how long it is
        return body


def unexplained() -> Layout:
    """Bytes that follow what was explained, so that none goes without a word."""
    return Layout("bytes behind it", "", field("unexplained", GreedyBytes, "no layout is known for them here"))
