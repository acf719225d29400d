"""The small language in which a rule says what puts it to the test and what must then hold.

A rule's ``if`` and ``must`` are Python expressions over one occasion: a bare name is a fact of it (``tag``, ``data``,
``last.passed``), beside the few functions of `HELPERS`. They are part of this package and are compiled when the
catalogue is read; nothing of a capture is ever compiled. A fact that the capture does not show raises `Unseen`, and
the rule is then not put to the test.
"""

from __future__ import annotations

import ast
from collections.abc import Callable
from typing import Any

Test = Callable[[Any], Any]


class Unseen(Exception):
    """The capture does not show a fact that was asked for."""


class Bytes:
    """Bytes as far as the capture has them: ``raw`` is what was recorded. What lies beyond is `Unseen`, so that a cut
    recording puts no rule to the test that needs more. ``size`` is how many crossed the bus."""

    __slots__ = ("raw", "size")

    def __init__(self, raw: bytes, size: int = -1) -> None:
        self.raw, self.size = raw, len(raw) if size < 0 else size

    def __getitem__(self, key: int | slice) -> Any:
        if isinstance(key, slice):
            stop = self.size if key.stop is None else key.stop
            if stop > len(self.raw):
                raise Unseen
            return self.raw[key.start : stop]
        if key >= len(self.raw):
            raise Unseen
        return self.raw[key]

    def __len__(self) -> int:
        return self.size

    @property
    def whole(self) -> bytes:
        """All of it; `Unseen` where the capture lacks a part."""
        return self[:]  # type: ignore[no-any-return]


def be(data: Bytes | bytes, at: int, count: int) -> int:
    """A number of so many bytes, highest first (SCSI)."""
    return int.from_bytes(data[at : at + count], "big")


def le(data: Bytes | bytes, at: int, count: int) -> int:
    """The same, lowest first (USB)."""
    return int.from_bytes(data[at : at + count], "little")


HELPERS: dict[str, Any] = {
    "be": be, "le": le, "len": len, "any": any, "all": all, "min": min, "max": max, "set": set, "sorted": sorted,
    "list": list, "range": range, "sum": sum, "bytes": bytes, "zip": zip, "MS": 1_000_000, "True": True, "False": False,
}  # fmt: skip
"""What an expression may call besides facts. MS is a millisecond in nanoseconds."""


class _Facts(ast.NodeTransformer):
    """Turns bare names into facts of the occasion."""

    def __init__(self, bound: set[str]) -> None:
        self.bound = bound

    def visit_Name(self, node: ast.Name) -> ast.expr:
        if node.id in self.bound or node.id in HELPERS:
            return node
        occasion = ast.Name("occasion", ast.Load())
        return ast.copy_location(ast.Attribute(occasion, node.id, node.ctx), node)


def compiled(text: str) -> Test:
    """A function of an occasion from an expression. Raises SyntaxError."""
    tree = ast.parse(" ".join(text.split()), mode="eval")
    bound = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    body = _Facts(bound).visit(tree.body)
    argument = ast.arguments([], [ast.arg("occasion")], None, [], [], None, [])
    function = ast.fix_missing_locations(ast.Expression(ast.Lambda(argument, body)))
    found: Test = eval(compile(function, "<rule>", "eval"), {"__builtins__": {}, **HELPERS})
    return found


def names(text: str) -> set[str]:
    """The facts that an expression asks an occasion for."""
    tree = ast.parse(" ".join(text.split()), mode="eval")
    bound = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    return {n.id for n in ast.walk(tree) if isinstance(n, ast.Name)} - bound - set(HELPERS)
