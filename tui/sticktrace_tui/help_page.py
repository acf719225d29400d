"""The help: the protocol on one screen, then every key."""

from __future__ import annotations

from sticktrace.output.selection import KEYS as SELECTION_KEYS
from sticktrace_tui.cells import wrap
from sticktrace_tui.keys import ALL, PAGES
from sticktrace_tui.pages import Entry

PROTOCOL = """
 host                                                      stick
  │  1 COMMAND  31 bytes, "USBC": tag, length, direction,    │
  ├──────────── LUN and the command block ──────────────────▶│  bulk OUT
  │  2 DATA     none, or up to that many bytes               │
  │◀─────────── READ, INQUIRY, sense … ──────────────────────┤  bulk IN
  ├──────────── WRITE, MODE SELECT … ───────────────────────▶│  or bulk OUT
  │  3 STATUS   13 bytes, "USBS": same tag, residue, and     │
  │◀─────────── 0 passed · 1 failed · 2 phase error ─────────┤  bulk IN

 failed       ask why: REQUEST SENSE brings key / ASC / ASCQ; then go on
 stall        clear the endpoint's halt, read the status; twice: reset recovery
 phase error  reset recovery: class reset, clear both halts, start again
 bring-up     attach → address → descriptors → configuration → INQUIRY →
              TEST UNIT READY until ready → READ CAPACITY → block 0 → volume
"""
"""Bulk-Only Transport 1.0 clauses 3.1, 5.1, 5.2, 5.3 and 6.7, and the order of a bring-up, in our words."""

SIGNS = (
    ("▶", "the line under the cursor"),
    ("!", "failed"),
    ("?", "no status seen"),
    ("▸12×", "twelve of a kind folded into one line; space opens it"),
    ("~ ≡ ≠", "a control request; an event on the bus; traffic that fits no exchange"),
    ("◆ ✎", "your mark; your note"),
    ("━━╸", "duration, logarithmic: an empty bar is 10 µs, a full one 10 s"),
)


def build(width: int) -> list[Entry]:
    """The lines of the page."""
    out = [Entry([("One storage command over USB (Bulk-Only Transport 1.0, clause 5)", "head")])]
    out += [Entry([(line, "plain")]) for line in PROTOCOL.strip("\n").split("\n")]
    out += [Entry([]), Entry([("Signs", "head")])]
    out += [Entry([(f"  {sign:<7}", "strong"), (words, "plain")]) for sign, words in SIGNS]
    for title, keys in (("Everywhere", ALL), *((f"On {page.title}", page.keys) for page in PAGES.values())):
        if keys:
            out += [Entry([]), Entry([(title, "head")])]
            for key in keys:
                out += [Entry(line) for line in wrap(key.long, width, "plain", " " * 16, f"  {key.shown:<14}")]
    out += [Entry([]), Entry([("Selection words, after / on the exchanges", "head")])]
    text = (
        "key:value pairs, all must hold; a comma means or, a leading - turns a word round: "
        "command:read,write status:bad -lun:0 lba:2048..4095 slower:5ms sense:3/11 time:1.5..2. Keys: "
        + ", ".join(SELECTION_KEYS)
    )
    return out + [Entry(line) for line in wrap(text, width, "plain", "  ")]
