#!/usr/bin/env python3
"""Records a bus of a Linux host whole, as pcap with link type 189: record_linux.py BUS FILE, as root, Ctrl-C to end.

Needs Python 3 and nothing else. It reads the kernel's own recorder (kernel documentation, "usbmon", "Raw binary format
and API"): from /dev/usbmonBUS come events, a header of 48 bytes and then as many bytes of data as the header says.
"""

import fcntl
import os
import struct
import sys

HEADER = struct.Struct("=QBBBBHbbqiiII8s")  # 48 bytes in the machine's own byte order, as the kernel writes them
RING_SIZE, STATISTICS = 0x9204, 0x80089203  # MON_IOCT_RING_SIZE, MON_IOCG_STATS
LARGEST_RING = 1200 * 1024  # a fifth of it is the most that is kept of one transfer: 245,760 bytes


def take(source: int, count: int) -> bytes:
    """So many bytes, or fewer at the end."""
    data = b""
    while len(data) < count and (more := os.read(source, count - len(data))):
        data += more
    return data


def record(source: int, path: str) -> int:
    """Writes events to a new file until there are no more or Ctrl-C is pressed; returns how many."""
    events = 0
    with open(path, "xb", buffering=0) as out:  # noqa: PTH123
        out.write(struct.pack("=IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 1 << 18, 189))
        try:
            while len(header := take(source, HEADER.size)) == HEADER.size:
                fields = HEADER.unpack(header)
                seconds, microseconds, kept = fields[8], fields[9], fields[12]
                size = HEADER.size + kept
                whole = struct.pack("=IIII", seconds & 0xFFFFFFFF, microseconds, size, size) + header
                out.write(whole + take(source, kept))
                events += 1
        except KeyboardInterrupt:
            pass
    return events


def main() -> None:
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    source = os.open(sys.argv[1] if "/" in sys.argv[1] else f"/dev/usbmon{sys.argv[1]}", os.O_RDONLY)
    try:
        fcntl.ioctl(source, RING_SIZE, LARGEST_RING)
    except OSError:
        print("the kernel's buffer stays as it is: long transfers are cut", file=sys.stderr)
    events = record(source, sys.argv[2])
    try:
        lost = struct.unpack("=II", fcntl.ioctl(source, STATISTICS, bytes(8)))[1]
    except OSError:
        lost = 0
    print(f"{events} events, {lost} lost", file=sys.stderr)


if __name__ == "__main__":
    main()
