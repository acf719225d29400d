"""What is said of a capture, claim by claim: findings, the verdict, the error that says why it cannot be read, and an
internal error with its place. To keep one of them is what shrinking is about."""

from __future__ import annotations

import re
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sticktrace.errors import SticktraceError
from sticktrace.text import safe

if TYPE_CHECKING:
    from sticktrace.findings.verdict import Diagnosis

VERDICT = "verdict"
_PACKAGE = Path(__file__).resolve().parents[1]
_MOST_NAMED = 6


@dataclass(frozen=True, slots=True)
class Claim:
    """``key`` is what stays the same when record numbers and times change; ``text`` are all words in which it is
    said, ``title`` a few of them."""

    kind: str
    key: tuple[str, ...]
    text: str
    title: str

    def __str__(self) -> str:
        return f"{self.kind} {self.title}".strip()

    def fits(self, words: str) -> bool:
        """Whether it is named so, or holds each of the words."""
        said = f"{self.kind} {' '.join(self.key)} {self.text}".casefold()
        return words.casefold() in (self.key[0].casefold(), self.kind) or all(
            word in said for word in words.casefold().split()
        )


def claims_of(diagnosis: Diagnosis) -> list[Claim]:
    """What a diagnosis says: its findings, and the verdict as a whole."""
    found = [
        Claim(
            f"finding, {one.severity}:", (one.slug, one.severity, one.side),
            f"{one.slug} {one.pattern.title} {one.text} {one.device}", one.pattern.title,
        )
        for one in diagnosis.findings
    ]  # fmt: skip
    answer = diagnosis.answer
    stages = tuple(
        f"{report.furthest.stage if report.furthest else ''}/{report.stopped.stage if report.stopped else ''}"
        for report in diagnosis.reports
    )
    key = (VERDICT, answer.main.slug if answer.main else "", *stages)
    title = f"({answer.main.pattern.title})" if answer.main else f"({answer.way})"
    return [*found, Claim(VERDICT, key, diagnosis.verdict, title)]


def claim_of(error: Exception, name: str = "") -> Claim:
    """What an error says of the file of this name: one of ours by its words without numbers, any other by its type and
    place."""
    if isinstance(error, SticktraceError):
        said = safe(str(error).removeprefix(f"{name}: "))
        return Claim("error:", (type(error).__name__, re.sub(r"[0-9]+", "#", said)), said, said)
    kind, where = type(error).__name__, place_of(error)
    return Claim("internal error:", (kind, where), f"{kind} {safe(str(error))} {where}", f"{kind} at {where}")


def place_of(error: BaseException) -> str:
    """Where in the program an error was raised: "volume/fat.py:120", of the innermost place that is ours."""
    frames = traceback.extract_tb(error.__traceback__)
    for frame in reversed(frames):
        path = Path(frame.filename).resolve()
        if path.is_relative_to(_PACKAGE):
            return f"{path.relative_to(_PACKAGE).as_posix()}:{frame.lineno}"
    return f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "unknown"


def chosen(claims: list[Claim], words: str, name: str) -> Claim:
    """The claim that the words mean; without words, the verdict or the error. Raises SticktraceError, which lists what
    there is."""
    if not claims:
        raise SticktraceError(f"{safe(name)}: the verb ends without an error; there is nothing to keep")
    if not words:
        return claims[-1]
    named = [claim for claim in claims if words.casefold() == claim.key[0].casefold()]
    fitting = named or [claim for claim in claims if claim.fits(words)]
    if fitting:
        return fitting[0]
    there = ", ".join(claim.key[0] for claim in claims[:_MOST_NAMED]) + ", ..." * (len(claims) > _MOST_NAMED)
    raise SticktraceError(
        f"{safe(name)}: nothing that is said of it holds {safe(repr(words))}; there is: {safe(there)}"
    )
