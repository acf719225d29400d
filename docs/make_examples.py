"""Writes decoder/sticktrace/duties/examples.toml: for every rule of the audit the bytes that break it and those that
keep it, taken from the traces in tests/breaches: ``python docs/make_examples.py``."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "decoder"), str(ROOT / "traces"), str(ROOT / "tests")]

import sticktrace  # noqa: E402
from breaches import CASES  # noqa: E402
from breaches.lab import Case, healthy_trace, new_host, ready_host  # noqa: E402
from sticktrace.duties.catalogue import rules  # noqa: E402
from sticktrace.duties.score import Place  # noqa: E402
from workshop import Recorder  # noqa: E402

PAGE = ROOT / "decoder" / "sticktrace" / "duties" / "examples.toml"
MOST = 64
"""Bytes of a piece that an example shows."""


def trace(case: Case, broken: bool) -> bytes:
    """The capture of one of a rule's traces."""
    recipe, options = (case.broken, case.options) if broken else (case.kept, case.kept_options)
    if recipe is None:
        return healthy_trace().recorder.pcap()
    host = new_host(**options) if case.bare else ready_host(**options)
    made = recipe(host)
    return (made if isinstance(made, Recorder) else host.recorder).pcap()


def pieces(capture: sticktrace.Capture, place: Place) -> Iterator[tuple[str, bytes]]:
    """What crossed the bus at a place, by name."""
    for item in capture.items():
        if isinstance(item, sticktrace.Exchange) and place.exchange and item.number == place.exchange:
            wrapper = capture.read(item.command_at)
            yield ("command", wrapper) if wrapper else ("command block", item.cdb)
            yield "data", capture.data(item)
            yield "status", capture.read(item.status_at)
            return
        if place.exchange or item.records[:1] != place.records[:1]:
            continue
        if isinstance(item, sticktrace.Request):
            yield "setup", item.setup
            yield "data", capture.read(item.data)
            return
        if isinstance(item, sticktrace.Stray):
            yield "bytes", capture.read(item.piece)
            return


def example(id: str, broken: bool) -> list[str]:
    """The pieces of the first place where a rule's trace breaks it, or keeps it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "trace.pcap"
        path.write_bytes(trace(CASES[id], broken))
        with sticktrace.open(path) as capture:
            counts = [score.count(rules()[id]) for score in sticktrace.audit([capture]).scores]
            places = [place for count in counts for place in (count.broken_at if broken else count.kept_at)]
            return [f"{name}: {data[:MOST].hex(' ')}" for name, data in pieces(capture, places[0]) if data]


def main() -> None:
    """Writes the file."""
    lines = ["# Made by docs/make_examples.py from tests/breaches; change the traces, not this file.\n"]
    for id in rules():
        lines.append(f"[{id}]")
        for verdict in ("broken", "kept"):
            rows = ", ".join(f'"{row}"' for row in example(id, verdict == "broken"))
            lines.append(f"{verdict} = [{rows}]")
        lines.append("")
    PAGE.write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
