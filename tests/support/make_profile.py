"""Profiles for tests: the worked machines, and copies of them with single items changed."""

from __future__ import annotations

import functools
from dataclasses import fields, is_dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from mapper.profile import read_profile
from mapper.profile.profile import ElectricDrive, Joint, Profile

_PROFILES = Path(__file__).resolve().parents[2] / "profiles"


@functools.cache
def worked(name: str) -> Profile:
    """`kerb-arm` or `test-stand`, as the file in profiles/ has it."""
    return read_profile((_PROFILES / f"{name}.toml").read_bytes(), f"{name}.toml")


def changed(value: Any, path: str, new: Any) -> Any:
    """A copy of a (nested) dataclass with the item at a dotted path changed; indices of tuples are written as numbers.

    `changed(profile, "joints.0.limits.acceleration_deg_s2", Fraction(1))`.
    """
    head, _, rest = path.partition(".")
    if isinstance(value, tuple):
        index = int(head)
        item = changed(value[index], rest, new) if rest else new
        return (*value[:index], item, *value[index + 1 :])
    if not is_dataclass(value) or head not in {field.name for field in fields(value)}:
        raise KeyError(path)
    return replace(value, **{head: changed(getattr(value, head), rest, new) if rest else new})


def joint_named(profile: Profile, name: str) -> Joint:
    """The joint of that name."""
    return next(joint for joint in profile.joints if joint.name == name)


def with_electric_joint() -> Profile:
    """The test stand with an electric actuator in place of its cylinder: 40 deg/s at full drive."""
    drive = ElectricDrive(speed_deg_s=Fraction(40), torque_n_m=Fraction(100))
    return changed(worked("test-stand"), "joints.0.drive", drive)
