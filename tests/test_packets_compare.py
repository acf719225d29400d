"""Two recordings of packets side by side. Clauses are those of USB 2.0."""

from __future__ import annotations

from pathlib import Path

import sticktrace
from probe import BULK_IN, BULK_OUT, STICK, cbw, csw, enumerate_stick, read10
from sticktrace.comparison.compare import DIFFERS, SMALL, Comparison, compare
from sticktrace.comparison.side import Telling
from workshop.bus import IN, Bus, data

BLOCK = bytes(n & 0xFF for n in range(512))


def recorded(path: Path, *, naks: int = 2, pause_ns: int = 0, deaf: int = 0, slow_ns: int = 0) -> Path:
    """Ten reads of 4 KiB: answered NAK so often, so far apart, with so many attempts that nobody heard, and so much
    time between data packets."""
    wire = Bus("high")
    enumerate_stick(wire)
    for tag in range(10):
        wire.bulk_out(STICK, BULK_OUT, cbw(tag, 4096, read10(tag * 8, 8)))
        for _ in range(naks):
            wire.nak(STICK, BULK_IN, 1)
            wire.wait(pause_ns)
        for _ in range(deaf):
            wire.transaction(IN, STICK, BULK_IN, data(wire.pipe(STICK, BULK_IN, True).toggle, BLOCK))
        for _ in range(8):
            wire.bulk_in(STICK, BULK_IN, BLOCK, naks=0)
            wire.wait(slow_ns)
        wire.bulk_in(STICK, BULK_IN, csw(tag))
    path.write_bytes(wire.pcap())
    return path


def compared(good: Path, bad: Path) -> Comparison:
    with sticktrace.open(good) as left, sticktrace.open(bad) as right:
        return compare(Telling(left), Telling(right))


def told(found: Comparison) -> dict[str, int]:
    return {d.slug: d.weight for d in found.differences if d.slug in ("attempts", "nak", "packets a frame")}


def test_alike(tmp_path: Path) -> None:
    """Three NAK more in a command are no difference."""
    found = compared(recorded(tmp_path / "a.pcap"), recorded(tmp_path / "b.pcap", naks=5))
    assert not told(found)
    rows = {row.label: (row.good, row.bad) for row in found.rows}
    assert rows["attempts made again"] == ("0", "0")
    assert rows["data packets a frame"] == ("8.0", "8.0")


def test_attempts_that_failed(tmp_path: Path) -> None:
    """8.6.4: the same data once more."""
    good, bad = recorded(tmp_path / "a.pcap"), recorded(tmp_path / "b.pcap", deaf=1)
    assert told(compared(good, bad)) == {"attempts": DIFFERS}
    assert told(compared(bad, good)) == {"attempts": SMALL}


def test_time_in_nak(tmp_path: Path) -> None:
    """8.4.5: the device asks for patience, 2 ms in each command."""
    good, bad = recorded(tmp_path / "a.pcap"), recorded(tmp_path / "b.pcap", naks=20, pause_ns=100_000)
    assert told(compared(good, bad)) == {"nak": DIFFERS}
    assert told(compared(bad, good)) == {"nak": SMALL}


def test_packets_a_frame(tmp_path: Path) -> None:
    """One packet in a microframe where there is room for thirteen (5.8.4)."""
    good, bad = recorded(tmp_path / "a.pcap"), recorded(tmp_path / "b.pcap", slow_ns=130_000)
    assert told(compared(good, bad)) == {"packets a frame": DIFFERS}
    assert told(compared(bad, good)) == {"packets a frame": SMALL}


def test_one_side_without_packets(tmp_path: Path) -> None:
    """What a capture of a host cannot show is not compared."""
    host = tmp_path / "host.pcap"
    path = recorded(tmp_path / "a.pcap", deaf=1)
    from click.testing import CliRunner

    from sticktrace.cli.main import cli

    assert CliRunner().invoke(cli, ["export", "--as", "pcap", "--to", str(host), str(path)]).exit_code == 0
    found = compared(path, host)
    assert not told(found) and not any("NAK" in row.label for row in found.rows)
