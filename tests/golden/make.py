"""Makes the golden output anew: ``python tests/golden/make.py``. Read the difference before you commit it.

NAME.txt holds what a verb prints on a pipe for a demo capture, after a first line with the command.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]

COMMANDS = {
    "stall-recovery.exchanges": "exchanges stall-recovery.pcap",
    "stall-recovery.selected": "exchanges stall-recovery.pcap status:bad stalled:any",
    "stall-recovery.devices": "devices stall-recovery.pcap",
    "stall-recovery.story": "devices stall-recovery.pcap --story",
    "stall-recovery.explain-1": "explain stall-recovery.pcap 1",
    "stall-recovery.explain-5": "explain stall-recovery.pcap 5",
    "stall-recovery.check": "check stall-recovery.pcap",
    "stall-recovery.jsonl": "export stall-recovery.pcap",
    "stall-recovery.csv": "export --as csv stall-recovery.pcap",
    "unit-attention-giveup.exchanges": "exchanges unit-attention-giveup.pcap",
    "unit-attention-giveup.devices": "devices unit-attention-giveup.pcap",
    "unit-attention-giveup.explain-3": "explain unit-attention-giveup.pcap 3",
    "unit-attention-giveup.check": "check --json unit-attention-giveup.pcap",
    "unit-attention-giveup.jsonl": "export unit-attention-giveup.pcap",
    "uas-stick.exchanges": "exchanges uas-stick.pcap",
    "uas-stick.devices": "devices uas-stick.pcap",
    "uas-stick.explain-2": "explain uas-stick.pcap 2",
    "uas-stick.check": "check uas-stick.pcap",
    "uas-stick.csv": "export --as csv uas-stick.pcap",
    "usb-console.exchanges": "exchanges usb-console.txt",
    "usb-console.devices": "devices usb-console.txt",
    "usb-console.explain-1": "explain usb-console.txt 1",
    "usb-console.check": "check usb-console.txt",
    "usb-console.jsonl": "export usb-console.txt command:inquiry,readcapacity10",
    "healthy-boot.diagnose": "diagnose healthy-boot.pcap",
    "healthy-boot.timing": "timing healthy-boot.pcap",
    "healthy-boot.volume": "volume healthy-boot.pcap",
    "bad-sector.diagnose": "diagnose bad-sector.pcap",
    "brown-out-on-write.diagnose": "diagnose brown-out-on-write.pcap --all",
    "unit-attention-giveup.diagnose": "diagnose unit-attention-giveup.pcap",
    "hub-port-overcurrent.diagnose": "diagnose hub-port-overcurrent.pcap",
    "usb-console.diagnose": "diagnose usb-console.txt",
    "bad-sector.volume": "volume bad-sector.pcap --map",
    "uas-stick.timing": "timing uas-stick.pcap",
    "stall-recovery.timing": "timing stall-recovery.pcap",
    "uas-stick.fit": "fit uas-stick.pcap --board ../../tests/golden/board.toml",
    "card-reader-empty-lun.fit": "fit card-reader-empty-lun.pcap --board ../../tests/golden/board.toml",
    "healthy-against-brown-out.compare": "compare healthy-boot.pcap brown-out-on-write.pcap",
    "hex.csw": "explain 55 53 42 53 17 04 31 20 00 02 00 00 01",
    "hex.sense": "explain 70 00 03 00 00 00 00 0A 00 00 00 00 11 00 00 00 00 00",
    "hex.setup": "explain 02 01 00 00 81 00 00 00",
    "about.over-current": "about over-current",
    "about.requests-refused": "about requests-refused",
    "about.json": "about --json file-system-not-read",
    "about.sense": "about 3/11/00",
    "about.unit": "about unit attention",
    "compose.read": "compose READ(10) lba=2080 blocks=8 --cbw --tag 0x20310417 --c",
    "compose.explained": "compose inquiry length=36 --explain",
}
"""Name of the file -> the command, run in traces/demo."""


def output_of(words: str) -> str:
    """What the command prints to standard output, and to standard error behind it, when neither is a terminal."""
    from click.testing import CliRunner

    from sticktrace.cli.main import cli

    before = Path.cwd()
    os.chdir(ROOT / "traces" / "demo")
    try:
        result = CliRunner().invoke(cli, words.split(), prog_name="sticktrace")
    finally:
        os.chdir(before)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    said = f"--- standard error\n{result.stderr}" if result.stderr else ""
    return f"$ sticktrace {words}\n{result.stdout}{said}"


def main() -> None:
    """Writes every file, and takes away those that no command makes."""
    sys.path.insert(0, str(ROOT / "decoder"))
    for name, words in COMMANDS.items():
        path, text = HERE / f"{name}.txt", output_of(words)
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")
            print(f"wrote {path.relative_to(ROOT)}")
    for path in HERE.glob("*.txt"):
        if path.stem not in COMMANDS:
            path.unlink()
            print(f"removed {path.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
