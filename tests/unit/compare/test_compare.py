"""What differs between two files, and between two lists of findings."""

from __future__ import annotations

from dataclasses import replace

from check_case import STAND, check_text, text_of, with_value

from mapper.check.finding import Status
from mapper.compare import key_changes, margin_changes


def keys(before: str, after: str):
    return key_changes(before.encode(), after.encode(), ("a.toml", "b.toml"))


def test_a_changed_value_is_told_as_written_with_both_lines():
    before = text_of(STAND)
    after = "# one line more\n" + with_value(before, "joints.lever.limits.speed.positive", '"31.50 deg/s"')

    (change,) = keys(before, after)

    assert (change.key, change.before, change.after) == (
        "joints.lever.limits.speed.positive",
        "30 deg/s",
        "31.50 deg/s",
    )
    assert change.after_line == change.before_line + 1
    assert "speed = {" in before.split("\n")[change.before_line - 1]


def test_comments_layout_and_order_of_keys_do_not_count():
    before = text_of(STAND)
    line = next(line for line in before.split("\n") if line.startswith("acceleration = "))
    after = before.replace(line + "\n", "").replace("deceleration = ", f"{line}\ndeceleration = ", 1)

    assert keys(before, after + "\n# a comment\n") == ()


def test_an_added_and_a_removed_key_have_one_line():
    after = text_of(STAND)
    line = next(line for line in after.split("\n") if line.startswith("tilt = "))
    before = after.replace(line + "\n", "")

    (added,) = keys(before, after)
    (removed,) = keys(after, before)

    assert (added.kind, added.key, added.before_line) == ("added", "machine.tilt", None)
    assert added.after.endswith(" deg")
    assert after.split("\n")[added.after_line - 1] == line
    assert (removed.kind, removed.before, removed.after_line) == ("removed", added.after, None)


def test_a_renamed_joint_is_one_removed_and_one_added():
    before = text_of(STAND)

    changes = keys(before, before.replace("joints.lever", "joints.arm"))

    assert [(one.key, one.kind) for one in changes] == [("joints.lever", "removed"), ("joints.arm", "added")]
    assert all("values" in one.before + one.after for one in changes)


def test_numbers_and_truth_values_are_told():
    before = text_of(STAND)
    after = before.replace("reversed = false", "reversed = true").replace("count_max = 4095", "count_max = 4094")

    assert {(one.key.rpartition(".")[2], one.before, one.after) for one in keys(before, after)} == {
        ("reversed", "false", "true"),
        ("count_max", "4095", "4094"),
    }


def test_status_first_then_what_shrank_most_then_what_grew():
    findings = [one for one in check_text(text_of(STAND)).findings if one.margin is not None][:4]
    broken, nearer, little, farther = findings
    after = [
        replace(farther, margin=farther.margin + 1),
        replace(little, margin=little.margin - 0.01 * (little.bound or 1)),
        replace(nearer, margin=nearer.margin - 5 * (nearer.bound or 1)),
        replace(broken, margin=-1.0, status=Status.VIOLATED),
    ]

    changes = margin_changes(findings, after)

    assert [(one.limit, one.kind) for one in changes] == [
        (broken.limit, "status"),
        (nearer.limit, "shrank"),
        (little.limit, "shrank"),
        (farther.limit, "grew"),
    ]
    assert changes[0].worse


def test_a_limit_that_is_mended_is_no_worse():
    one = check_text(text_of(STAND)).findings[0]
    (change,) = margin_changes([replace(one, status=Status.VIOLATED)], [one])

    assert change.kind == "status"
    assert not change.worse


def test_findings_of_one_check_only():
    findings = check_text(text_of(STAND)).findings
    joint, machine = findings[0], findings[-1]

    changes = margin_changes([joint], [machine])

    assert [(one.limit, one.kind) for one in changes] == [(machine.limit, "added"), (joint.limit, "removed")]


def test_unchanged_findings_are_unchanged():
    findings = check_text(text_of(STAND)).findings

    assert {one.kind for one in margin_changes(findings, findings)} == {"unchanged"}
