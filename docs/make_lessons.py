"""Puts fresh program output into the pages of docs/lessons: `python docs/make_lessons.py`.

The prose is written by hand. Between the two marker comments below stands what the command prints today, with the
command above it; everything else of the page is left as it is.

    <!-- run: sticktrace explain traces/demo/healthy-boot.pcap 5 -->
    <!-- show: Exchange 5 | data, 8 bytes -->        (this line may be left out)
    <!-- end -->

A "show" line picks parts of a long output, divided by " | ". A part is "TEXT", the paragraph from the first line that
holds TEXT up to the next blank line, or "TEXT .. LAST", the lines from the one that holds TEXT up to the next one that
holds LAST. Lines left out between two parts are shown as "…". The search for a part begins where the part before it
ended, and a part that is not found is an error, so that a page cannot lose its evidence quietly.
"""

from __future__ import annotations

import os
import re
import shlex
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "docs" / "lessons"

_BLOCK = re.compile(r"<!-- run: (?P<run>.+?) -->\n(?:<!-- show: (?P<show>.+?) -->\n)?.*?<!-- end -->", re.DOTALL)


def run(line: str) -> str:
    """What `line`, a call of sticktrace, prints when run in the project's directory.

    Raises ValueError when it is no such call, when it ends with another status than 0 or 1 (1 means "findings of
    fault"), or with an exception.
    """
    from click.testing import CliRunner

    from sticktrace.cli.main import cli

    program, *arguments = shlex.split(line)
    if program != "sticktrace":
        raise ValueError(f"not a call of sticktrace: {line}")
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        result = CliRunner().invoke(cli, arguments, prog_name="sticktrace")
    finally:
        os.chdir(before)
    if result.exit_code not in (0, 1) or (result.exception and not isinstance(result.exception, SystemExit)):
        raise ValueError(f"{line}: status {result.exit_code}, {result.exception!r}\n{result.output}")
    return result.stdout


def pick(output: str, show: str) -> list[str]:
    """The parts of `output` that `show` names (see above), as lines. Raises ValueError when a part is not found."""
    lines, shown, at = output.splitlines(), [], 0
    for part in show.split(" | "):
        text, _, last = part.partition(" .. ")
        first = _find(lines, at, text)
        end = _find(lines, first, last) + 1 if last else _paragraph_end(lines, first)
        if any(lines[at:first]):
            shown.append("…")
        elif first > at and shown:
            shown.append("")
        shown += lines[first:end]
        at = end
    return [*shown, "…"] if any(lines[at:]) else shown


def _find(lines: list[str], at: int, text: str) -> int:
    for number in range(at, len(lines)):
        if text in lines[number]:
            return number
    raise ValueError(f"no line holds {text!r} any more")


def _paragraph_end(lines: list[str], first: int) -> int:
    return next((number for number in range(first, len(lines)) if not lines[number]), len(lines))


def filled(page: str) -> str:
    """The page with the output of every marked command put in anew."""

    def block(found: re.Match[str]) -> str:
        output = run(found["run"])
        try:
            lines = pick(output, found["show"]) if found["show"] else output.rstrip("\n").split("\n")
        except ValueError as error:
            raise ValueError(f"{found['run']}: {error}") from None
        head = [f"<!-- run: {found['run']} -->"] + ([f"<!-- show: {found['show']} -->"] if found["show"] else [])
        body = ["```console", f"$ {found['run']}", *(line.rstrip() for line in lines), "```"]
        return "\n".join([*head, *body, "<!-- end -->"])

    return _BLOCK.sub(block, page)


def main() -> None:
    """Write each page anew."""
    for path in sorted(FOLDER.glob("*.md")):
        path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
