"""The rules of Bulk-Only Transport as one table: what each signal does in each state, and the clause that says so.

Clauses are those of "USB Mass Storage Class, Bulk-Only Transport" 1.0. Signals:

    CBW IN, CBW OUT, CBW NONE   a valid CBW, by the data phase that it announces
    BAD CBW                     31 bytes without the signature, or the signature in another length (6.2.1)
    IN, IN LAST, OUT, OUT LAST  data; LAST ends the data phase: the announced length is reached, or the packet is short
    CSW                         13 bytes with the signature and the tag of the open exchange (6.3.1)
    OTHER CSW                   the same with another tag
    BAD CSW                     what comes where a CSW is due and is none; EMPTY is a zero-length packet there
    STALL IN, STALL OUT         the pipe answered STALL
    WAITING                     the transfer still waits when the capture ends
    ERROR IN, ERROR OUT         the transfer failed in another way (timeout, cancelled, bus error, device gone)
    CLEARED IN, CLEARED OUT     CLEAR_FEATURE(ENDPOINT_HALT) on the pipe
    RESET                       Bulk-Only Mass Storage Reset, port reset, new configuration
    GAP                         the recorder says that transfers are missing here; what comes next may belong to them
"""

from __future__ import annotations

IDLE, DATA_IN, DATA_OUT, STATUS, LOST = "idle", "data in", "data out", "status", "invalid command"
UNSURE, AFTER = "open across a gap", "after a gap"

_OPEN = (DATA_IN, DATA_OUT, STATUS, LOST)
_COMMANDS = (("CBW IN", DATA_IN), ("CBW OUT", DATA_OUT), ("CBW NONE", STATUS))

TABLE: dict[tuple[str, str], tuple[str, str]] = {
    # state, signal: (action, next state)                              clause of BOT 1.0
    (IDLE, "CBW IN"): ("open", DATA_IN),                             # 5.1, 5.3.2
    (IDLE, "CBW OUT"): ("open", DATA_OUT),                           # 5.1, 5.3.2
    (IDLE, "CBW NONE"): ("open", STATUS),                            # 5.1: length zero, no data phase
    (IDLE, "BAD CBW"): ("open_invalid", LOST),                       # 6.2.1, 6.6.1
    (IDLE, "IN"): ("stray_data", IDLE),                              # 3.3: nothing moves before a CBW
    (IDLE, "OUT"): ("stray_data", IDLE),                             # 3.3
    (IDLE, "OTHER CSW"): ("stray_status", IDLE),                     # 3.3: with no exchange open, no tag is right
    (IDLE, "STALL IN"): ("stray_stall", IDLE),                       # 6.6.1
    (IDLE, "STALL OUT"): ("stray_stall", IDLE),                      # 6.6.1
    (IDLE, "ERROR IN"): ("stray_error", IDLE),                       # 6.5: the host's to recover
    (IDLE, "ERROR OUT"): ("stray_error", IDLE),                      # 6.5

    (DATA_IN, "IN"): ("take", DATA_IN),                              # 5.3.2
    (DATA_IN, "IN LAST"): ("take", STATUS),                          # 5.3.2, 6.7.2
    (DATA_IN, "CSW"): ("close", IDLE),                               # 6.7.2: no data, status follows at once
    (DATA_IN, "OTHER CSW"): ("other_status", DATA_IN),               # 6.3.1
    (DATA_IN, "OUT"): ("wrong_way", DATA_IN),                        # 3.5: no bidirectional commands
    (DATA_IN, "STALL IN"): ("stall_data", STATUS),                   # 6.7.2: clear the pipe, then read the CSW
    (DATA_IN, "STALL OUT"): ("stall_data", DATA_IN),                 # 6.6.1: halted with the command
    (DATA_IN, "ERROR IN"): ("error", DATA_IN),                       # 6.5
    (DATA_IN, "ERROR OUT"): ("error", DATA_IN),                      # 6.5
    (DATA_IN, "CLEARED IN"): ("cleared", STATUS),                    # 6.7.2: a stall may show only as a short read

    (DATA_OUT, "OUT"): ("take", DATA_OUT),                           # 5.3.2
    (DATA_OUT, "OUT LAST"): ("take", STATUS),                        # 5.3.2
    (DATA_OUT, "CSW"): ("close", IDLE),                              # 6.7.3: the device may end the phase early
    (DATA_OUT, "OTHER CSW"): ("other_status", DATA_OUT),             # 6.3.1
    (DATA_OUT, "IN"): ("wrong_way", DATA_OUT),                       # 3.5
    (DATA_OUT, "STALL OUT"): ("stall_data", STATUS),                 # 6.7.3
    (DATA_OUT, "STALL IN"): ("stall_status", STATUS),                # 6.7.3
    (DATA_OUT, "ERROR IN"): ("error", DATA_OUT),                     # 6.5
    (DATA_OUT, "ERROR OUT"): ("error", DATA_OUT),                    # 6.5
    (DATA_OUT, "CLEARED OUT"): ("cleared", STATUS),                  # 6.7.3

    (STATUS, "CSW"): ("close", IDLE),                                # 5.3.3
    (STATUS, "OTHER CSW"): ("other_status", STATUS),                 # 6.3.1
    (STATUS, "BAD CSW"): ("bad_status", STATUS),                     # 6.3.1
    (STATUS, "EMPTY"): ("empty_status", STATUS),                     # common practice: a zero-length packet in between
    (STATUS, "OUT"): ("too_much", STATUS),                           # 5.1: more than dCBWDataTransferLength
    (STATUS, "STALL IN"): ("stall_status", STATUS),                  # 5.3.3: clear the pipe, read the CSW once more
    (STATUS, "STALL OUT"): ("stall_status", STATUS),                 # 6.7.3
    (STATUS, "ERROR IN"): ("error", STATUS),                         # 6.5
    (STATUS, "ERROR OUT"): ("error", STATUS),                        # 6.5
    (STATUS, "CLEARED IN"): ("cleared", STATUS),                     # 5.3.3
    (STATUS, "CLEARED OUT"): ("cleared", STATUS),                    # 6.7.3

    (LOST, "CSW"): ("close", IDLE),                                  # 6.6.1: not due, so it was taken for a CBW
    (LOST, "OTHER CSW"): ("stray_status", LOST),                     # 6.6.1
    (LOST, "IN"): ("stray_data", LOST),                              # 6.6.1
    (LOST, "OUT"): ("stray_data", LOST),                             # 6.6.1: a device may accept and discard it
    (LOST, "STALL IN"): ("stall_data", LOST),                        # 6.6.1: stays so until reset recovery
    (LOST, "STALL OUT"): ("stall_data", LOST),                       # 6.6.1
    (LOST, "ERROR IN"): ("error", LOST),                             # 6.5
    (LOST, "ERROR OUT"): ("error", LOST),                            # 6.5
    (LOST, "CLEARED IN"): ("cleared", LOST),                         # 6.6.1: a clear alone must not cure it
    (LOST, "CLEARED OUT"): ("cleared", LOST),                        # 6.6.1
    (LOST, "BAD CBW"): ("reopen_invalid", LOST),                     # 6.6.1

    (IDLE, "WAITING"): ("stray_waiting", IDLE),                      # 3.3
    **{(state, "WAITING"): ("waiting", state) for state in _OPEN},   # common practice: not said how it ends
    (UNSURE, "WAITING"): ("waiting", UNSURE),                        # common practice: not said how it ends
    (AFTER, "WAITING"): ("stray_waiting", AFTER),                    # 3.3

    (UNSURE, "CSW"): ("close", IDLE),                                # 6.3.1: the tag says whose it is
    (UNSURE, "OTHER CSW"): ("rest_behind", AFTER),                   # 6.3.1: of a command that is missing
    (UNSURE, "IN"): ("unsure", UNSURE),                              # 5.3.2: of this command or of a missing one
    (UNSURE, "OUT"): ("unsure", UNSURE),                             # 5.3.2
    (UNSURE, "STALL IN"): ("unsure", UNSURE),                        # 6.7.2
    (UNSURE, "STALL OUT"): ("unsure", UNSURE),                       # 6.7.3
    (UNSURE, "ERROR IN"): ("error", UNSURE),                         # 6.5
    (UNSURE, "ERROR OUT"): ("error", UNSURE),                        # 6.5
    (UNSURE, "CLEARED IN"): ("unsure", UNSURE),                      # 6.7.2
    (UNSURE, "CLEARED OUT"): ("unsure", UNSURE),                     # 6.7.3
    (UNSURE, "RESET"): ("abandon", IDLE),                            # 5.3.4
    (AFTER, "IN"): ("rest", AFTER),                                  # 3.3: of a command that is missing
    (AFTER, "OUT"): ("rest", AFTER),                                 # 3.3
    (AFTER, "OTHER CSW"): ("rest", AFTER),                           # 3.3
    (AFTER, "STALL IN"): ("rest", AFTER),                            # 6.7.2
    (AFTER, "STALL OUT"): ("rest", AFTER),                           # 6.7.3
    (AFTER, "ERROR IN"): ("stray_error", AFTER),                     # 6.5
    (AFTER, "ERROR OUT"): ("stray_error", AFTER),                    # 6.5
    **{(AFTER, command): ("open", state) for command, state in _COMMANDS},          # 5.1
    **{(UNSURE, command): ("open_behind", state) for command, state in _COMMANDS},  # 5.1
    **{(state, "GAP"): ("gap", UNSURE) for state in (*_OPEN, UNSURE)},              # common practice: recorders lose
    **{(state, "GAP"): ("gap", AFTER) for state in (IDLE, AFTER)},                  # common practice: transfers

    **{(state, "RESET"): ("abandon", IDLE) for state in _OPEN},      # 5.3.4
    **{(state, "CBW IN"): ("reopen", DATA_IN) for state in _OPEN},   # 6.2.1: not valid before the CSW of the one
    **{(state, "CBW OUT"): ("reopen", DATA_OUT) for state in _OPEN},  # 6.2.1  before, but hosts that gave up
    **{(state, "CBW NONE"): ("reopen", STATUS) for state in _OPEN},  # 6.2.1  on it send one all the same
}  # fmt: skip

_CBW = ("CBW IN", "CBW OUT", "CBW NONE")

EARLY: dict[str, tuple[str, ...]] = {
    IDLE: (*_CBW, "IN", "OUT", "OTHER CSW", "STALL IN"),
    DATA_IN: (
        *_CBW,
        "OTHER CSW",
    ),
    DATA_OUT: (*_CBW, "CSW", "OTHER CSW"),
    STATUS: (*_CBW, "OUT", "OTHER CSW", "BAD CSW"),
    LOST: (*_CBW, "IN", "OUT", "OTHER CSW"),
    UNSURE: (),
    AFTER: (),
}
"""Signals that may show that the completion of something sent before was lost from the recording."""
