"""What a joint's part of the check can depend on, as a value, and a store of parts kept by it.

Of the joint itself everything counts. Of the other joints only what the arm does to this one: steel, drive, loads,
holding, hoses and travel; not how they are asked to move, what reads them or what watches them.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

from mapper.profile.profile import Joint, Profile
from mapper.table.table import Table

Part = TypeVar("Part")


def reuse_key(profile: Profile, table: Table, index: int, *also: Hashable) -> Hashable:
    """Equal for two checks of a joint only where every limit of that joint gets the same to look at.

    Args:
        profile: names, revision and waivers do not count, nor do the settings of motion of the other joints.
        table: of the other joints only those of a common coupled stop count.
        index: of the joint.
        also: whatever else the limits get.
    """
    coupled = tuple(stop for stop in table.coupled if index in stop.joints)
    whole = {index, *(number for stop in coupled for number in stop.joints)}
    joints = tuple(
        joint if number in whole else _as_steel(joint) for number, joint in enumerate(profile.joints)
    )  # the joint's own limits read nothing else of the others: tests/unit/check/test_reuse.py
    machine = (
        profile.supply,
        profile.controller,
        profile.emergency_stop,
        profile.start,
        profile.loads,
        profile.tilt_deg,
        profile.coupled_stops,
        profile.keep_out,
    )
    tables = tuple(table.joints[number] for number in sorted(whole))
    return (index, tables, coupled, table.machine, joints, machine, also)


def _as_steel(joint: Joint) -> Hashable:
    """What another joint does to the one that is looked at."""
    limits = joint.limits
    return (
        joint.name,
        joint.axis,
        joint.continuous,
        joint.body,
        joint.drive,
        joint.valve,
        joint.holding,
        joint.hoses,
        joint.work,
        limits.soft_stops_deg,
        limits.hard_stops_deg,
    )


class Kept(Generic[Part]):
    """At most `most` results by key, the longest unused one goes first. Results must be values."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._parts: dict[Hashable, Part] = {}  # the longest unused first
        self.found = 0  # how often a result was there

    def get(self, key: Hashable, make: Callable[[], Part]) -> Part:
        """The result that is kept for `key`, else the one that `make` gives, which is kept from then on."""
        if key in self._parts:
            self.found += 1
            part = self._parts.pop(key)
        else:
            part = make()
        self._parts[key] = part
        while len(self._parts) > self._most:
            del self._parts[next(iter(self._parts))]
        return part

    def clear(self) -> None:
        """Forgets every result; for measurements."""
        self._parts.clear()
