"""Makes traces/demo anew: ``python traces/make_demo.py``. The clock is fixed and nothing is random, so the same code
makes the same bytes; a test compares them with the files that are committed."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from workshop import scenes_faults as faults
from workshop import scenes_healthy as healthy
from workshop.recorder import Recorder

DEMO = Path(__file__).parent / "demo"

SCENES: dict[str, Callable[[], Recorder]] = {
    "healthy-boot": healthy.healthy_boot,
    "not-ready-then-up": healthy.not_ready_then_up,
    "uas-stick": healthy.uas_stick,
    "stall-recovery": healthy.stall_recovery,
    "no-address": faults.no_address,
    "hub-port-overcurrent": faults.hub_port_overcurrent,
    "get-max-lun-stall-fatal": faults.get_max_lun_stall_fatal,
    "unit-attention-giveup": faults.unit_attention_giveup,
    "card-reader-empty-lun": faults.card_reader_empty_lun,
    "gpt-volume": faults.gpt_volume,
    "exfat-volume": faults.exfat_volume,
    "bad-sector": faults.bad_sector,
    "write-protected": faults.write_protected,
    "brown-out-on-write": faults.brown_out_on_write,
    "counterfeit": faults.counterfeit,
}
"""Name of the pcap -> the scene."""

BEFORE = """\
tide gauge QUAY-3, firmware 4.1, reset by watchdog
adc: mean of 240 samples, level 1874 mm
usb: port powered, 5.02 V
usb: device attached
usb: device 1209:0001, 200 mA, class 08/06/50
usb: get max lun -> 0
"""
AFTER = """\
usb: block length 4096, only 512 supported
store: no volume, keeping levels in RAM (31 free pages)
adc: mean of 240 samples, level 1869 mm
"""


def console() -> str:
    """What the gauge's serial console shows: its own chatter around one line of hex per transfer."""
    return BEFORE + faults.big_blocks().hex_text() + AFTER


def build() -> dict[str, bytes]:
    """Every demo trace by file name."""
    files = {f"{name}.pcap": scene().pcap() for name, scene in SCENES.items()}
    files["usb-console.txt"] = console().encode()
    return files


def main() -> None:
    """Writes the files and says how big they are."""
    DEMO.mkdir(exist_ok=True)
    for name, data in build().items():
        (DEMO / name).write_bytes(data)
        print(f"{len(data):8} {name}")


if __name__ == "__main__":
    main()
