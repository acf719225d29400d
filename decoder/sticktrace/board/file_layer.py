"""The limits of a board's file layer: how the medium is divided, which file system, which names."""

from __future__ import annotations

from sticktrace.board.evidence import Look
from sticktrace.board.outcome import BREAKS, ERASES, FITS, UNKNOWN, Verdict
from sticktrace.board.profile import Board
from sticktrace.text import safe
from sticktrace.volume.division import Volume
from sticktrace.volume.medium import Medium
from sticktrace.volume.tree import Node

_MOUNTED = "record a host that mounts it, in a form that keeps the data (not a text form)"

_TABLES = {"none": "no partition table", "MBR": "an MBR", "GPT": "a GPT"}


def _medium(look: Look, board: Board) -> Medium | None:
    """The medium that the board would take: the first that it looks at."""
    scanned = board.get("host.luns_scanned")
    within = [lun for lun in sorted(look.media) if scanned is None or lun < scanned]
    return look.media[within[0]] if within else None


def _elsewhere(look: Look, board: Board) -> Verdict | None:
    """Where the medium is in a unit that the board never looks at, that is why nothing can be said of it."""
    scanned = board.get("host.luns_scanned")
    known = [lun for lun, medium in sorted(look.media.items()) if medium.table.scheme]
    if scanned is None or not known or known[0] < scanned:
        return None
    why = f"the medium is in LUN {known[0]}, which the board does not look at"
    return Verdict(UNKNOWN, why, "see host.luns_scanned")


def _words(values: list[str]) -> str:
    return " or ".join("no partitions" if value == "none" else value for value in values) or "none"


def partition_schemes(look: Look, value: list[str], board: Board) -> Verdict:
    """MBR, GPT, or a volume from block 0 on."""
    medium = _medium(look, board)
    scheme = medium.table.scheme if medium is not None else ""
    if not scheme:
        return _elsewhere(look, board) or Verdict(UNKNOWN, "block 0 of the medium is not in this capture", _MOUNTED)
    why = f"the medium has {_TABLES.get(scheme, scheme)}"
    if scheme in value:
        return Verdict(FITS, why)
    anew = _TABLES[value[-1]] if value else "nothing that this board reads"
    return Verdict(BREAKS, f"{why}, the board reads {_words(value)}", f"divide it anew, with {anew}; {ERASES}")


def file_systems(look: Look, value: list[str], board: Board) -> Verdict:
    """The file system of the first volume, which is what a small file layer mounts."""
    medium = _medium(look, board)
    volume = medium.volumes[0] if medium is not None and medium.volumes else None
    if volume is None:
        return _elsewhere(look, board) or Verdict(UNKNOWN, "no volume is to be seen in this capture", _MOUNTED)
    the = "" if volume.partition else "the "
    if not volume.kind:
        said = f"; its table entry says {volume.partition.type}" if volume.partition else ""
        lacks = volume.problem or "its first block is not in this capture"
        return Verdict(UNKNOWN, f"the file system of {the}{volume.title} is not known: {lacks}{said}", _MOUNTED)
    why = f"{the}{volume.title} is {volume.kind}"
    if volume.kind in value:
        return Verdict(FITS, why)
    assert medium is not None
    later = [other for other in medium.volumes[1:] if other.kind in value]
    if later:
        why += f"; {later[0].title} is {later[0].kind}, but boards mostly take the first"
    if volume.kind == "ISO 9660":
        change = "this is a CD image and likely read-only: look at the other logical units"
    else:
        change = f"format it as {_words(value[-1:])}; {ERASES}"
    return Verdict(BREAKS, f"{why}, the board reads {_words(value)}", change)


def long_names(look: Look, value: bool, board: Board) -> Verdict:
    """Names that do not fit 8.3."""
    medium = _medium(look, board)
    if value:
        return Verdict(FITS, "the board reads long names")
    volume = next((v for v in medium.volumes if v.files is not None), None) if medium is not None else None
    nodes = _nodes(volume) if volume is not None else []
    if volume is None or not nodes:
        return _elsewhere(look, board) or Verdict(
            UNKNOWN, "no directory of a FAT or exFAT volume is in this capture", f"{_MOUNTED}, and lists it"
        )
    if volume.kind == "exFAT":
        return Verdict(BREAKS, "exFAT keeps long names only", f"format it as FAT; {ERASES}")
    long = [node for node in nodes if node.entry.name.upper() != node.entry.short.upper()]
    if not long:
        return Verdict(FITS, f"all {len(nodes)} names seen fit 8.3")
    example = long[0]
    return Verdict(BREAKS, f"{len(long)} of {len(nodes)} names seen do not fit 8.3, as {example.path}",
                   f"rename them, or open them by their short names, here {safe(example.entry.short)}")  # fmt: skip


def _nodes(volume: Volume) -> list[Node]:
    """Files and directories that the capture shows, the root left out."""
    if volume.files is None:
        return []
    return [node for node in volume.files.root.walk() if node.parent is not None]
