"""Worked profiles with one value of the text replaced, checked; and contexts for single limits."""

from __future__ import annotations

import functools
import re
from dataclasses import replace
from pathlib import Path

from mapper.check import CheckResult, Finding, check_profile
from mapper.check.context import JointContext, contexts
from mapper.law import load_core
from mapper.machine import joint_model
from mapper.profile import read_profile
from mapper.profile.profile import Profile
from mapper.table import compile_table, encode_table
from mapper.table.table import JointTable, Table

_PROFILES = Path(__file__).resolve().parents[2] / "profiles"
STAND, KERB = "test-stand", "kerb-arm"


@functools.cache
def text_of(name: str) -> str:
    return (_PROFILES / f"{name}.toml").read_text(encoding="utf-8")


def with_value(text: str, path: str, value: str) -> str:
    """The text with one value replaced: `joints.lever.limits.speed`, or an item of an inline table one deeper."""
    section, _, key = path.rpartition(".")
    table, _, name = section.rpartition(".")
    whole = rf"{re.escape(key)} = )(\"[^\"]*\"|\{{[^}}]*\}}|[^\s#]+)"
    item = rf"{re.escape(name)} = \{{[^}}]*?{re.escape(key)} = )(\"[^\"]*\"|[^\s,}}]+)"
    for header, pattern in ((section, whole), (table, item)):
        found = rf"(^\[{re.escape(header)}\]\n(?:(?!^\[).*\n)*?{pattern}"
        changed, count = re.subn(found, lambda match: match.group(1) + value, text, count=1, flags=re.M)
        if count:
            return changed
    raise AssertionError(f"no {path} in the profile")


def tight_stand() -> str:
    """The stand with watches that allow its soft stops nearer to its hard ones, down to less than a degree."""
    text = with_value(text_of(STAND), "joints.lever.watch.still_angle", '"0.4 deg"')
    return with_value(text, "joints.lever.position.disagreement", '"0.4 deg"')


def profile_of(text: str) -> Profile:
    return read_profile(text.encode(), "profile.toml")


@functools.cache
def check_text(text: str) -> CheckResult:
    profile = profile_of(text)
    table = compile_table(profile)
    return check_profile(profile, table, encode_table(table))


def check_with(profile: Profile, table: Table) -> CheckResult:
    return check_profile(profile, table, encode_table(table))


def finding(result: CheckResult, limit: str, joint: str | None) -> Finding:
    found = [item for item in result.findings if item.limit == limit and item.joint == joint]
    assert len(found) == 1, (limit, joint)
    return found[0]


def bad(result: CheckResult) -> list[tuple[str, str | None]]:
    """(limit, joint) of everything that is violated or not shown."""
    return [(item.limit, item.joint) for item in result.findings if item.status.value in ("violated", "not shown")]


def context_of(profile: Profile, joint: str, **changes: object) -> JointContext:
    """The context of one joint; `changes` alter its compiled table."""
    table = compile_table(profile)
    joints = tuple(
        replace(own, **changes) if named.name == joint else own
        for named, own in zip(profile.joints, table.joints, strict=True)
    )
    table = replace(table, joints=joints)
    live = load_core().table(encode_table(table))
    models = tuple(joint_model(profile, item) for item in profile.joints)
    return next(item for item in contexts(profile, table, live, models) if item.joint.name == joint)


def altered(profile: Profile, joint: str, **changes: object) -> Table:
    """The compiled table with fields of one joint changed."""
    table = compile_table(profile)
    joints: tuple[JointTable, ...] = tuple(
        replace(own, **changes) if named.name == joint else own
        for named, own in zip(profile.joints, table.joints, strict=True)
    )
    return replace(table, joints=joints)
