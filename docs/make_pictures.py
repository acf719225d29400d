"""Makes docs/pictures.md and the drawings in docs/pictures, from the demo captures and the program's own tables.

    python docs/make_pictures.py

Each drawing is what the command beside it writes; tests/test_drawing_pages.py holds them fresh.
"""

from __future__ import annotations

import os
import shlex
import tempfile
from pathlib import Path

DOCS = Path(__file__).resolve().parent
DEMO = DOCS.parent / "traces" / "demo"

PICTURES = {
    "command": ("draw layout command block wrapper", "A command as it crosses the bus: the wrapper's fields under the "
                "bytes that they cover, split into bits where the standard splits them."),
    "status": ("draw layout command status wrapper", "The answer to it."),
    "exchange": ("explain stall-recovery.pcap 5", "A whole exchange: command, data and status as strips as long as "
                 "each took, then a ruler for each of them."),
    "short-answer": ("explain stall-recovery.pcap 5 --ladder", "The same drawn to time: less data than asked for, a "
                     "STALL, its clearing, and the status after it (BOT 1.0 6.7.2, case 5)."),
    "reset-recovery": ("explain stall-recovery.pcap 7 --ladder", "A phase error, and the reset recovery that it asks "
                       "for (BOT 1.0 5.3.4)."),
    "staircase": ("draw staircase no-address.pcap", "How far a stick came, one step up for each stage."),
    "cases": ("draw cases stall-recovery.pcap", "The thirteen cases of BOT 1.0 6.7, those of a capture marked."),
    "states": ("draw states", "The rules by which transfers become exchanges, as the program has them."),
    "cable": ("devices hub-port-overcurrent.pcap", "The way from the host to each stick, cut through where it broke."),
    "regions": ("volume bad-sector.pcap", "The regions of a medium over time, with the block that cannot be read."),
    "chain": ("volume healthy-boot.pcap --chain /LEVELS/2031-04.CSV", "A file on its volume, and its cluster chain."),
    "spreads": ("draw spreads healthy-boot.pcap", "How long each kind of command took, over a logarithmic axis."),
}  # fmt: skip
"""Name -> the command, run in traces/demo, that --picture is added to, and what the drawing shows."""


def drawings() -> dict[str, str]:
    """Every drawing as SVG, by its name."""
    from click.testing import CliRunner

    from sticktrace.cli.main import cli

    found = {}
    before = Path.cwd()
    os.chdir(DEMO)
    try:
        with tempfile.TemporaryDirectory() as folder:
            for name, (words, _) in PICTURES.items():
                target = Path(folder) / f"{name}.svg"
                result = CliRunner().invoke(cli, [*shlex.split(words), "--picture", str(target)])
                if result.exit_code:
                    raise RuntimeError(f"{words}: {result.output}") from result.exception
                found[name] = target.read_text(encoding="utf-8")
    finally:
        os.chdir(before)
    return found


def page() -> str:
    """docs/pictures.md."""
    parts = [
        "# Drawings",
        "",
        "Made by `docs/make_pictures.py` from the demo captures in `traces/demo`; do not edit. Without `--picture` the "
        "same is drawn on the terminal (`devices --cable`, `volume --map`), at any width from 60 columns, with "
        "`--ascii` in plain characters. The files follow the reader's choice of light or dark.",
    ]
    for name, (words, shows) in PICTURES.items():
        parts += ["", f"## {name.replace('-', ' ').capitalize()}", "", shows, "", "```sh"]
        parts += [f"sticktrace {words} --picture {name}.svg", "```", "", f"![{shows}](pictures/{name}.svg)"]
    return "\n".join(parts) + "\n"


def main() -> None:
    """Writes the page and every drawing, and takes away those that no command makes."""
    folder = DOCS / "pictures"
    folder.mkdir(exist_ok=True)
    made = {folder / f"{name}.svg": text for name, text in drawings().items()} | {DOCS / "pictures.md": page()}
    for path, text in made.items():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")
            print(f"wrote {path.relative_to(DOCS.parent)}")
    for path in set(folder.glob("*.svg")) - set(made):
        path.unlink()


if __name__ == "__main__":
    main()
