"""The failures between hosts and sticks that are known from the field (common practice), by number.

The numbers are those that `Pattern.failures` names. One failure may show in several findings, and one finding may stand
for several failures.
"""

from __future__ import annotations

from sticktrace.findings.finding import Pattern

FAILURES = {
    # before and during enumeration
    "F01": "nothing shows on any port", "F02": "5 V fed back by a hub or device", "F03": "over-current cuts the port",
    "F04": "bMaxPower above the budget", "F05": "supply dips in use", "F06": "no answer to the first descriptor read",
    "F07": "host gives up at the first error", "F08": "silence after SET_ADDRESS", "F09": "address never accepted",
    "F10": "host and device differ about bMaxPacketSize0", "F11": "one length of the first read upsets the device",
    "F12": "configuration descriptor cut short", "F13": "string request fails", "F14": "SET_INTERFACE refused",
    "F15": "optional descriptor upsets the device", "F16": "wrong interface or unit chosen",
    "F17": "class codes that are not those of storage", "F18": "connection bounces",
    "F19": "works only from power-on, or only when plugged in later", "F20": "speed mistaken or high speed not reached",
    "F21": "endpoint sizes of another speed",
    # hubs
    "F22": "hub not driven by the host", "F23": "split transactions missing", "F24": "hub port reset rushed",
    "F25": "disconnection behind a hub not noticed", "F26": "too many hubs in a row",
    "F27": "port power not really switched", "F28": "two devices at address 0",
    # class start-up
    "F29": "Get Max LUN refused and taken for fatal", "F30": "device dead after Get Max LUN",
    "F31": "Get Max LUN tells nonsense", "F32": "class reset at the start upsets the device",
    "F33": "unit attention taken for an error", "F34": "polling without bound",
    "F35": "failed command taken for passed", "F36": "slow to get ready", "F37": "first reads return nothing of use",
    "F38": "INQUIRY length upsets the device",
    "F39": "vital product data upset the device", "F40": "MODE SENSE upsets the device",
    "F41": "READ FORMAT CAPACITIES refused", "F42": "longer commands not known", "F43": "TEST UNIT READY not known",
    "F44": "START STOP UNIT refused, or ejects", "F45": "PREVENT ALLOW MEDIUM REMOVAL refused",
    "F46": "SYNCHRONIZE CACHE refused", "F47": "SYNCHRONIZE CACHE ejects", "F48": "first slot empty",
    "F49": "virtual CD", "F50": "UAS only, or UAS broken", "F51": "write protection misread",
    # data, status, recovery
    "F52": "halt not cleared before the CSW", "F53": "CSW not read again after STALL", "F54": "CSW in place of data",
    "F55": "empty packet before the CSW", "F56": "CBW of a wrong length", "F57": "CSW signature wrong",
    "F58": "CSW tag wrong", "F59": "phase error without recovery", "F60": "reset recovery incomplete",
    "F61": "residue wrong", "F62": "data toggle wrong", "F63": "STALL stays after it was cleared",
    "F64": "CSW comes twice or late", "F65": "more data than asked for", "F66": "less asked for than one packet",
    "F67": "large transfers fail", "F68": "block count overflows", "F69": "host gives up while the device is busy",
    "F70": "OUT packets repeated or lost", "F71": "memory not coherent with the bus", "F72": "device needs a pause",
    # medium, capacity, file system
    "F73": "capacity off by one", "F74": "capacity or address beyond the host's numbers", "F75": "blocks of 4096 bytes",
    "F76": "bad blocks, worn or read-only medium", "F77": "less memory than reported",
    "F78": "file system or partition scheme not read by the host",
}  # fmt: skip


def covering(failure: str, patterns: dict[str, tuple[Pattern, str]]) -> list[Pattern]:
    """The patterns that cover a failure, in the order of the catalogue."""
    return [pattern for pattern, _ in patterns.values() if failure in pattern.failures]
