"""For every rule a trace that breaks it, and where the healthy session does not keep it, one that does.

`cases` gathers them; tests/test_audit_rules.py runs them.
"""

from breaches import bulk_only, scsi, transports, usb
from breaches.lab import CASES

__all__ = ["CASES", "bulk_only", "scsi", "transports", "usb"]
