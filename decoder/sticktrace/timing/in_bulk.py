"""What `StickTiming.see` does for one exchange, for a whole run of READs and WRITEs at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sticktrace.timing.spreads import Kind
from sticktrace.transport.run import Run

if TYPE_CHECKING:
    from sticktrace.timing.measure import StickTiming


def see_run(part: StickTiming, run: Run) -> None:
    """Take in a run of exchanges of this stick."""
    import numpy as np

    columns, opcodes = run.columns, run.opcodes
    phase_ns = np.maximum(columns.command_ns, columns.data_ns)
    codes, places = np.unique(opcodes, return_index=True)
    kinds: dict[int, Kind] = {}
    for place, code in sorted(zip(places.tolist(), codes.tolist(), strict=True)):
        kinds[code] = part.kind_of(run.exchange(place))
    for code, kind in kinds.items():
        mine = opcodes == code
        _spread(kind, run, mine, phase_ns)
    part.gap(int(columns.time_ns[0]))
    gap_ns = columns.time_ns[1:] - columns.end_ns[:-1]  # commands that overlap leave none
    for code, kind in kinds.items():
        kind.spreads["gap"].extend(gap_ns[(gap_ns >= 0) & (opcodes[:-1] == code)])
    paused = part.pause(gap_ns)
    medium = np.isin(opcodes, [code for code, kind in kinds.items() if kind.medium]) & (columns.expected > 0)
    for incoming in (True, False):
        mine = medium & (run.incoming == incoming)
        _flow(part, run, mine, phase_ns, int(gap_ns[(gap_ns >= 0) & ~paused & mine[:-1]].sum()))
    flow = part.flows["in" if run.incoming[-1] else "out"] if medium[-1] else None
    part.last = kinds[int(opcodes[-1])], flow, int(columns.end_ns[-1])


def _spread(kind: Kind, run: Run, mine: Any, phase_ns: Any) -> None:
    columns, spreads = run.columns, kind.spreads
    kind.count += int(mine.sum())
    kind.bytes += int(columns.expected[mine].sum())
    with_data = mine & (columns.data_ns >= 0)
    spreads["data"].extend((columns.data_ns - columns.command_ns)[with_data])
    spreads["status"].extend((columns.end_ns - phase_ns)[mine])
    spreads["whole"].extend((columns.end_ns - columns.time_ns)[mine])


def _flow(part: StickTiming, run: Run, mine: Any, phase_ns: Any, gap_ns: int) -> None:
    if not mine.any():
        return
    import numpy as np

    columns = run.columns
    incoming = bool(run.incoming[mine][0])
    flow, moved = part.flows["in" if incoming else "out"], columns.expected[mine]
    flow.bytes += int(moved.sum())
    flow.commands += len(moved)
    flow.transfers += int(np.diff(columns.pieces)[mine].sum())
    flow.largest = max(flow.largest, int(moved.max()))
    flow.command_ns += int((columns.command_ns - columns.time_ns)[mine].sum())
    flow.data_ns += int((phase_ns - columns.command_ns)[mine].sum())
    flow.status_ns += int(np.maximum(columns.end_ns - phase_ns, 0)[mine].sum())
    flow.gap_ns += gap_ns
    part.course.extend(phase_ns[mine], incoming, moved)
