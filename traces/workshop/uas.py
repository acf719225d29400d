"""USB Attached SCSI from the host's side, without streams as at high speed: READ READY and WRITE READY say when the
data pipe is due."""

from __future__ import annotations

from workshop import wire
from workshop.bringup import BringUp
from workshop.recorder import BULK, IN_PROGRESS
from workshop.unit import CHECK

COMMAND, STATUS, DATA_IN, DATA_OUT = 0x02, 0x81, 0x83, 0x04
"""Endpoints of `identity.UAS`."""


class UasHost(BringUp):
    """Commands over UAS; tags count from 1."""

    def uas(self, cdb: bytes, *, lun: int = 0, data_out: bytes = b"", expected: int | None = None) -> int:
        """One command that the stick's unit answers. Returns the SCSI status (0 GOOD, 2 CHECK CONDITION)."""
        unit = self.stick.units[lun]
        answer = unit.answer(cdb, data_out)
        tag, self.tag = self.tag, self.tag + 1
        self._post_status()
        self.bulk(COMMAND, 32, wire.uas_command(tag, lun, cdb), id=self.command_id)
        if answer.data or (data_out and answer.status == 0):
            self._information(wire.uas_ready(tag, bool(data_out)))
            self._post_status()
            if data_out:
                self.bulk(DATA_OUT, len(data_out), data_out)
            else:
                self.bulk(DATA_IN, expected or len(answer.data), answer.data)
        failed = answer.status == CHECK
        self._information(wire.uas_sense(tag, 2 if failed else 0, unit.sense if failed else b""))
        return 2 if failed else 0

    def _post_status(self) -> None:
        self.half("S", BULK, STATUS, 256, status=IN_PROGRESS, id=self.status_id())
        self.recorder.wait(10_000)

    def _information(self, unit: bytes) -> None:
        self.recorder.wait(self.recorder.about(self.overhead_ns + 150_000))
        self.half("C", BULK, STATUS, len(unit), data=unit, status=0, id=self.status_id())
        self.recorder.wait(20_000)

    def status_id(self) -> int:
        """The id of reads on the status pipe."""
        return self.control_id + 0x40
