"""Every key of the screen: what is bound, what the line at the foot says, what the help says."""

from __future__ import annotations

from typing import NamedTuple

from textual.binding import Binding, BindingType


class Key(NamedTuple):
    """One key or a pair: ``bind`` as Textual names it, with the action; ``shown`` and ``short`` for the foot."""

    bind: tuple[tuple[str, str], ...]
    shown: str
    short: str
    long: str


class Page(NamedTuple):
    """One page and the keys that it adds."""

    number: str
    title: str
    keys: tuple[Key, ...] = ()


def _key(shown: str, short: str, long: str, *bind: tuple[str, str]) -> Key:
    return Key(bind, shown, short, long)


ALL = (
    _key("1-7", "pages", "the pages, as numbered at the top", *((str(n), f"page({n})") for n in range(1, 8))),
    _key("?", "help", "the protocol on one screen, and every key", ("question_mark", "page(8)")),
    _key("t", "teach", "teaching mode: keep meanings back until asked for", ("t", "teach")),
    _key("x", "export", "write the present view to a file: SVG, or text if the name ends in .txt", ("x", "export")),
    _key("z", "stop", "stop reading; what was read stays", ("z", "stop_reading")),
    _key("q", "quit", "leave", ("q", "leave")),
)

_TABLE = (
    _key("Enter", "open", "the three strips of the item"),
    _key("/", "select", "select by words, live as you type; Esc gives the selection up", ("slash", "select")),
    _key("space", "fold", "open or close the fold here", ("space", "fold")),
    _key("f F", "fault", "next, previous fault", ("f", "fault(1)"), ("F", "fault(-1)")),
    _key("c C", "command", "next, previous of the same command", ("c", "command(1)"), ("C", "command(-1)")),
    _key("a A", "blocks", "next, previous that touches these blocks", ("a", "lba(1)"), ("A", "lba(-1)")),
    _key("m M", "mark", "mark the item, or take the mark away; the next mark", ("m", "mark"), ("M", "next_mark")),
    _key("n", "note", "write a note to the item", ("n", "note")),
    _key("S", "save", "save marks and notes beside the capture", ("S", "save_marks")),
    _key("r", "requests", "control requests: folded, shown, hidden", ("r", "requests")),
    _key("o", "all", "fold repeats, or show every item", ("o", "fold_all")),
    _key("v", "reveal", "in teaching mode: show the outcome of this item", ("v", "reveal")),
)
_DETAIL = (
    _key("↑↓", "field", "field by field; its bytes light up"),
    _key("←→", "byte", "byte by byte; its field lights up"),
    _key("Tab", "strip", "the next strip"),
    _key("PgUp PgDn", "page", "the next page of long data"),
    _key("[ ]", "neighbour", "the item before, after", ("left_square_bracket", "step(-1)"),
         ("right_square_bracket", "step(1)")),
    _key("v V", "reveal", "in teaching mode: show this meaning, all meanings", ("v", "reveal"), ("V", "reveal_all")),
    _key("Esc", "back", "back to the exchanges"),
)  # fmt: skip
_LEAD = (
    _key("↑↓", "evidence", "from one line that leads somewhere to the next"),
    _key("Enter", "go there", "to the item, or to the exchanges, that the line speaks of"),
)
_SECTORS = (
    _key("←→↑↓", "move", "from region to region; left and right from mark to mark"),
    _key("+ -", "zoom", "closer to this region, down to one block; back"),
    _key("Enter", "select", "the exchanges that touch this region; on a mark its exchange"),
    _key("u", "unit", "the next logical unit", ("u", "unit")),
)

PAGES: dict[str, Page] = {
    "verdict": Page("1", "verdict", _LEAD),
    "exchanges": Page("2", "exchanges", _TABLE),
    "detail": Page("3", "detail", _DETAIL),
    "devices": Page("4", "devices", _LEAD),
    "sectors": Page("5", "sectors", _SECTORS),
    "timing": Page("6", "timing", _LEAD),
    "compare": Page("7", "compare", _LEAD),
    "help": Page("?", "help"),
}
NAMES = tuple(PAGES)


def bindings() -> list[BindingType]:
    """All keys that the application itself answers."""
    found: dict[str, str] = {}
    for key in (*ALL, *(key for page in PAGES.values() for key in page.keys)):
        found.update(key.bind)
    found |= {"escape": "back", "ctrl+c": "leave"}
    return [Binding(name, action, show=False) for name, action in found.items()]
