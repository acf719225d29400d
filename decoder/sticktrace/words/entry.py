"""One entry of the dictionary."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Kind(StrEnum):
    """What an entry explains, in the order in which they are listed."""

    TERM = "term"
    STAGE = "stage"
    FINDING = "finding"
    OUTCOME = "outcome"
    SENSE_KEY = "sense key"
    SENSE_CODE = "sense code"
    STATUS = "status"
    COMMAND = "command"
    REQUEST = "request"
    SELECTION = "selection word"
    LOG_LINE = "log pattern"


def _nothing() -> tuple[str, ...]:
    return ()


@dataclass(frozen=True, slots=True)
class Entry:
    """``name`` as it is printed, ``also`` what else it is looked up by, ``says`` one line, ``clause`` where it stands
    in the documents ("" for words of our own), ``more`` gives the paragraphs that follow."""

    kind: Kind
    name: str
    says: str
    clause: str = ""
    also: tuple[str, ...] = ()
    more: Callable[[], tuple[str, ...]] = field(default=_nothing, compare=False, repr=False)

    def facts(self) -> dict[str, Any]:
        """As JSON says it."""
        return {"kind": "word", "of": self.kind.value, "name": self.name, "says": self.says,
                "clause": self.clause or None, "text": list(self.more())}  # fmt: skip
