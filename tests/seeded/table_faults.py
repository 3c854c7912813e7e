"""Single faults in the bytes of a table, with its CRC made right again: as if another program had written them.

A fault whose CRC is left wrong is caught by the CRC, always; the test says so once. With a right CRC it has to be
refused by the controller's own validation, or by the PC's decoder, or the check has to see that the value is not the
profile's.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, fields, is_dataclass
from typing import Any

import numpy as np
from judges import Machine

from mapper.check.context import contexts
from mapper.check.finding import Status
from mapper.check.law.as_written import joint_as_written, machine_as_written
from mapper.check.law.pilot import running_state
from mapper.check.motion.coupled_stop import coupled_stops
from mapper.check.result import joint_findings
from mapper.law import LiveTable, TableRefused, load_core
from mapper.machine import joint_model
from mapper.table import DecodeError, decode_table
from mapper.table.table import SPEED, Curve, JointTable, Sensor, Table

_OF_FOLLOW_CONTROL = (
    "speed_filter_q16",
    "speed_deadband_mdeg_s",
    "gain_q16",
    "feed_q16",
    "match_window_mdeg",
    "gap_mdeg",
)
_OF_STOPS = ("soft_stop_mdeg", "brake")


@dataclass(frozen=True, slots=True, kw_only=True)
class Caught:
    """by: empty for nobody; then the id says what the fault changes, for survivors.toml."""

    id: str
    by: str


def places(data: bytes) -> tuple[str, ...]:
    """Ids of all faults: every byte but the CRC's, a bit of it (another one from byte to byte) and one more."""
    return tuple(f"byte {at} {how}" for at in range(len(data) - 4) for how in (f"bit {at * 3 % 8}", "plus 1"))


def broken(data: bytes, place: str) -> bytes:
    """The table with the fault of that id, sealed."""
    _, at, how, number = place.split()
    body = bytearray(data[:-4])
    body[int(at)] = body[int(at)] ^ (1 << int(number)) if how == "bit" else (body[int(at)] + 1) % 256
    return bytes(body) + zlib.crc32(bytes(body)).to_bytes(4, "little")


def judged(machine: Machine, place: str) -> Caught:
    """Who catches it, in the order in which the mapper would meet it."""
    data = broken(machine.data, place)
    core = load_core()
    try:
        live = core.table(data)
    except TableRefused as error:
        return Caught(id=place, by=f"the controller's validation ({error.result})")
    try:
        table = decode_table(data)
    except DecodeError:
        return Caught(id=place, by="the decoder")
    if table.profile_digest != machine.profile.digest:
        return Caught(id=place, by="the profile's digest")
    for name in ("machine_id", "revision", "tool_version"):
        if getattr(table, name) != getattr(machine.table, name):
            return Caught(id=place, by=f"identity, read back and compared: {name}")
    by = _by_limits(machine, table, live)
    return Caught(id=place if by else f"{place}: {what_changed(machine.table, table)}", by=by)


def _by_limits(machine: Machine, table: Table, live: LiveTable) -> str:
    found = [machine_as_written(machine.profile, table)]
    changed = [i for i, joint in enumerate(table.joints) if joint != machine.table.joints[i]]
    models = tuple(joint_model(machine.profile, joint) for joint in machine.profile.joints)
    joints = contexts(machine.profile, table, live, models)
    found += [joint_as_written(joints[i]) for i in changed]
    if all(one.status is Status.HOLDS for one in found):
        running = running_state(table, live)
        found += [one for i in changed for one in joint_findings(joints[i], running)]
        found += coupled_stops(machine.profile, table, live, joints)
    bad = [f"{one.limit} of {one.joint or 'the machine'}" for one in found if one.status is not Status.HOLDS]
    return bad[0] if bad else ""


def what_changed(sound: Table, other: Table) -> str:
    """`joints.response by 2`, in the table's own units; of a braking curve how much faster it is anywhere, in %."""
    found = list(_changes(sound, other, ""))
    paths = sorted({path for path, _, _ in found})
    if len(paths) != 1:
        return f"other {' and '.join(paths)}"
    return f"{paths[0]}{max((_how(paths[0], before, after) for _, before, after in found), key=len)}"


def _how(path: str, before: Any, after: Any) -> str:
    if not isinstance(before, Curve):
        return f" by {after - before:+}" if isinstance(before, int) else ""
    if path.endswith(".brake"):
        percent = _faster_percent(before, after)
        return f", faster by {percent} %" if percent > 0 else ", slower"
    points = zip(before.points, after.points, strict=True)
    return f" by {max(abs(a - b) for one, own in points for a, b in zip(one, own, strict=True))}"


def _changes(before: Any, after: Any, path: str) -> Iterator[tuple[str, Any, Any]]:
    """(names of the fields on the way, value before, value after); a curve of as many points counts as one value."""
    if before == after:
        return
    if isinstance(before, Curve) and len(before.points) == len(after.points):
        yield path, before, after
    elif is_dataclass(before):
        for field in fields(before):
            name = f"{path}.{field.name}" if path else field.name
            yield from _changes(
                getattr(before, field.name), getattr(after, field.name), name + _unused(before, field.name)
            )
    elif isinstance(before, tuple) and len(before) == len(after):
        for one, own in zip(before, after, strict=True):
            yield from _changes(one, own, path)
    else:
        yield path, before, after


def _unused(part: Any, name: str) -> str:
    """Why the law does not read this value of a joint or sensor; empty where it does."""
    if isinstance(part, Sensor) and name == "disagreement" and len(part.tracks) == 1:
        return ", one track"
    if isinstance(part, JointTable) and name in _OF_FOLLOW_CONTROL and part.control == SPEED:
        return ", speed control"
    if isinstance(part, JointTable) and name in _OF_STOPS and part.continuous:
        return ", continuous"
    return ""


def _faster_percent(sound: Curve, other: Curve) -> int:
    """How much more `other` allows at most, in percent of the most that `sound` allows, rounded up; 0: nowhere more.

    What it allows above that does not count: there the speed itself is limited (L6a).
    """
    corners = np.array([x for x, _ in (*sound.points, *other.points)], dtype=np.float64)
    at = np.append(corners, np.linspace(corners.min(), corners.max(), 10_001))
    before, after = (np.interp(at, *np.array(one.points, dtype=np.float64).T) for one in (sound, other))
    most = before.max()
    return int(np.ceil(100.0 * np.max(np.minimum(after, most) - before) / most))
