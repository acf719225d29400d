"""What is said when the program itself fails: one line, where to report it, and how to make the capture to attach."""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from pathlib import Path

WHERE = "where you have sticktrace from"
_SHOWN = 200


def lines(error: Exception, arguments: list[str]) -> Iterator[str]:
    """The error in one line, then the command that makes the smallest capture that shows it, if a verb was reading
    one."""
    from sticktrace.shrinking.claims import place_of

    kind = type(error).__name__
    said = f"{kind}: {error}"
    shown = said if len(said) <= _SHOWN else said[:_SHOWN] + "..."
    yield f"internal error at {place_of(error)}: {shown}; this is a fault of sticktrace, please report it {WHERE}"
    command = shrinking(kind, arguments)
    if command:
        yield f"attach the file that this makes: {command}"


def shrinking(kind: str, arguments: list[str]) -> str:
    """The command line of `sticktrace shrink` for a command line that failed, "" for a verb that reads no capture."""
    from sticktrace.cli.common import is_there
    from sticktrace.cli.main import VERBS
    from sticktrace.cli.shrink import READERS, contained

    words = list(arguments)
    while words and words[0] not in VERBS and not is_there(words[0]) and words[0] != "-":
        words.pop(0)  # options before the verb
    verb = words.pop(0) if words and words[0] in VERBS else "diagnose"
    place = next((at for at, word in enumerate(words) if word == "-" or is_there(word)), -1)
    if place < 0 or verb not in READERS:
        return ""
    capture = words.pop(place)
    run = shlex.join(contained([verb, *words]))
    parts = ["sticktrace", "shrink", str(Path(capture)) if capture != "-" else "CAPTURE", "--keep", kind]
    parts += ["--run", run] if verb != "diagnose" else []
    return shlex.join([*parts, "--redacted"])
