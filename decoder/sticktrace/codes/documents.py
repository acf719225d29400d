"""The documents that clauses cite, by their short names: which edition "SPC-3" means (documents.toml)."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PRACTICE = "common practice"
"""What a clause says where no document does."""

_PLACE = re.compile(r"((Tables?|Figure) )?\d[\d.-]*")


@dataclass(frozen=True, slots=True)
class Document:
    """A published document. ``name`` is how clauses call it, ``id`` how the public does."""

    name: str
    title: str
    edition: str
    year: int
    id: str

    def __str__(self) -> str:
        return f"{self.name}: {self.title}, {self.edition}, {self.year} ({self.id})"


@cache
def documents() -> dict[str, Document]:
    """Every document by its short name."""
    text = Path(__file__).with_name("documents.toml").read_text(encoding="utf-8")
    return {name: Document(name, **row) for name, row in tomllib.loads(text).items()}


def named(clause: str) -> list[Document]:
    """The documents of a layout's or a command's clause, such as "MMC-5, READ TOC/PMA/ATIP command; UFI 1.0 4.10": each
    part is a document with a place in it, or with the title of a command, page or table. Empty where one is unknown."""
    found: list[Document] = []
    for part in clause.split("; "):
        match = [document for name, document in documents().items() if re.match(rf"{re.escape(name)}( |,|$)", part)]
        if not match:
            return []
        found.append(max(match, key=lambda document: len(document.name)))
    return found


def cited(clause: str) -> list[Document]:
    """The documents of a clause such as "SAM-3 5.9.7, SPC-3 Tables 27, 28 (7h, 27h), common practice".

    A place without a document belongs to the one before it. Raises LookupError for a document that is not in the table.
    """
    found: dict[str, Document] = {}
    for part in re.sub(r" *\([^)]*\)", "", clause).split(", "):
        name = next((name for name in documents() if f"{part} ".startswith(f"{name} ")), None)
        if name is not None:
            found[name] = documents()[name]
        elif part != PRACTICE and not (found and _PLACE.fullmatch(part)):
            raise LookupError(f"{part!r} is not in documents.toml")
    return list(found.values())
