"""The audit of one or more captures: their evidence adds up for each stick, and different sticks are kept apart."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from sticktrace.bus.device import Device
from sticktrace.duties.catalogue import rules
from sticktrace.duties.engine import Desk, Engine
from sticktrace.duties.score import HUBS, Audit, Score
from sticktrace.session import Capture, Reading

_Key = tuple[Any, ...]


def audit(captures: Iterable[Capture]) -> Audit:
    """Hold captures against every rule. Each is read once, to its end."""
    engines = [engine_of(capture.reading(), capture.name) for capture in captures]
    return conclude(engines)


def engine_of(reading: Reading, name: str) -> Engine:
    """Read one capture to its end."""
    engine = Engine(reading, name)
    see = engine.see
    for item in reading:
        see(item)
    engine.end()
    return engine


def conclude(engines: Iterable[Engine]) -> Audit:
    """Bring together what was seen of each stick. Where there is one stick, the hubs stand on its card."""
    cards: dict[_Key, Score] = {}
    for engine in engines:
        there: dict[_Key, list[Device]] = {}
        listed = {stick.device: stick for stick in engine.sticks.listed()}
        for device, desk in engine.desks.items():
            stick = listed.get(device)
            if stick is None and not device.is_hub:
                continue
            title = stick.title if stick is not None else HUBS
            key = _key_of(engine, desk, title) if stick is not None else (HUBS,)
            if stick is not None and device.present and any(other.present for other in there.get(key, ())):
                key, title = (*key, device.bus, device.address), f"{title} at {stick.place}"  # twins
            there.setdefault(key, []).append(device)
            _add(cards, key, _score(engine, desk, title))
    scores = list(cards.values())
    sticks = [score for score in scores if score.title != HUBS]
    if len(sticks) == 1 and len(scores) == 2:
        hubs = next(score for score in scores if score.title == HUBS)
        sticks[0].join(hubs)
        scores = sticks
    return Audit(scores)


def _add(cards: dict[_Key, Score], key: _Key, score: Score) -> None:
    if key in cards:
        cards[key].join(score)
    else:
        cards[key] = score


def _key_of(engine: Engine, desk: Desk, title: str) -> _Key:
    """What tells one stick from another: ids and serial number, or else what it calls itself; without any of these,
    the capture and the place."""
    device = desk.device
    if device.vid_pid:
        return device.vid_pid, device.named("iSerialNumber")
    unit = next((unit for unit in desk.units.values() if vars(unit).get("identity")), None)
    if unit is not None:
        return (title,)
    return title, engine.name, device.bus, device.address


def _score(engine: Engine, desk: Desk, title: str) -> Score:
    wire = bool(engine.reading.reader.wire_events) or "packet" in engine.reading.reader.form
    counts = {id: count for id, count in desk.counts.items() if count.tested}
    gaps = desk.gaps > 0 or not desk.device.described
    if gaps:
        for id in [id for id, count in counts.items() if rules()[id].gapless and count.broken]:
            del counts[id]
    speaks = engine.reading.reader.speaks and not counts
    return Score(title, [engine.name], counts, wire, not speaks, gaps)
