"""The workshop: readable code that makes captures of USB mass storage, for the demo traces and for tests.

A `Recorder` keeps what a host-side recorder would have seen; a `Host` talks to a `Stick` whose `Unit`s hold a `Medium`.
Bytes are packed here from the published documents with `struct` alone, never with sticktrace's own layouts, so that a
mistake there cannot hide here. Nothing of this is installed.

    recorder = Recorder()
    host = Host(recorder, Stick(Identity(), [Unit(Medium(131072))]))
    host.enumerate()
    host.execute(wire.inquiry())                      # the stick answers by itself
    host.command(wire.read10(0), data_in=bytes(512), csw_tag=99)  # or the answer is scripted, oddities and all
    data = recorder.pcap()
"""

from workshop import wire
from workshop.fat import FatVolume
from workshop.host import Host
from workshop.identity import Alternate, Hub, Identity, Stick
from workshop.medium import Medium
from workshop.recorder import Half, Recorder, merge
from workshop.unit import Answer, Unit

__all__ = [
    "Alternate",
    "Answer",
    "FatVolume",
    "Half",
    "Host",
    "Hub",
    "Identity",
    "Medium",
    "Recorder",
    "Stick",
    "Unit",
    "merge",
    "wire",
]
