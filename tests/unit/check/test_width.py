"""`integer_width`: every product at its largest, and tables outside the ranges are seen."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from check_case import KERB, STAND, profile_of, text_of
from make_table import random_table

from mapper.check import Evidence, Status
from mapper.check.law.widest import widest_table
from mapper.check.law.width import integer_width, quantities
from mapper.table import compile_table
from mapper.table.table import Curve

TABLE = compile_table(profile_of(text_of(KERB)))
NAMES = tuple(joint.name for joint in profile_of(text_of(KERB)).joints)


def wide(**changes: object):
    """The kerb arm's table with fields of its wrist roll (a lever) changed."""
    joints = tuple(
        replace(joint, **changes) if name == "wrist_roll" else joint
        for name, joint in zip(NAMES, TABLE.joints, strict=True)
    )
    return replace(TABLE, joints=joints)


@pytest.mark.parametrize("name", [STAND, KERB])
def test_worked_tables_hold(name):
    profile = profile_of(text_of(name))
    found = integer_width(compile_table(profile), tuple(joint.name for joint in profile.joints))

    assert (found.status, found.evidence) == (Status.HOLDS, Evidence.INTERVAL)
    assert found.margin is not None
    assert found.margin >= 1


# 10000 parts of 214748 mdeg/s are 2147480000, and 2^31 - 1 is 2147483647.
@pytest.mark.parametrize(("speed", "status"), [(214_748, Status.HOLDS), (214_749, Status.VIOLATED)])
def test_a_speed_outside_its_range_is_seen_where_it_first_overflows(speed, status):
    found = integer_width(wide(speed_full_mdeg_s=(speed, speed)), NAMES)

    assert found.status is status
    if status is Status.VIOLATED:
        assert (found.worst, found.bound) == (32, 31)
        assert "L5b, share times speed (wrist_roll): 2147490000" in found.detail


def test_what_saturates_is_seen():
    found = integer_width(wide(settle_ticks=40_000, still_ticks=30_000), NAMES)

    assert found.status is Status.VIOLATED
    assert "settle and still ticks together" in found.detail


def test_a_curve_that_is_too_steep_is_seen():
    """65536 x 40000 in one step is 2.6e9."""
    found = integer_width(wide(flow_per_speed_q16=(Curve(points=((0, 1), (1, 40_000))),) * 2), NAMES)

    assert found.status is Status.VIOLATED
    assert "slope" in found.detail


def test_the_widest_table_that_is_accepted_fits():
    """INV-TABLE-2: nearest is the filter of the operator's speed, 2^16 x 2 x 720000 x 1000 x 2^16 below 2^63."""
    rows = list(quantities(widest_table(), ()))

    assert all(row.spare_bits >= 0 for row in rows)
    assert max(row.magnitude for row in rows) == 65_536 * 2 * 720_000 * 1000 * 65_536
    assert 65_536 * 2 * 720_000 * 1000 * 65_536 < 2**63


@pytest.mark.parametrize("seed", range(20))
def test_no_table_that_is_accepted_is_wider_than_the_widest(seed):
    most = {}
    for row in quantities(widest_table(), ()):
        most[row.rule, row.what] = max(most.get((row.rule, row.what), 0), row.magnitude)

    for row in quantities(random_table(random.Random(seed)), ()):
        assert row.magnitude <= most[row.rule, row.what], (row.rule, row.what)


def test_every_family_of_rules_is_looked_at():
    rules = {word for row in quantities(widest_table(), ()) for word in row.rule.split(", ")}

    for rule in ("L2", "L2w", "L3b", "L4a", "L4b", "L4c", "L5a", "L5b", "L6b", "L6c", "L6d", "L6e", "L6f", "L7a", "L7d",
                 "L7f", "L8", "L9c", "L9d", "L10b", "L10c", "L10i", "L10o", "L10p"):  # fmt: skip
        assert rule in rules
