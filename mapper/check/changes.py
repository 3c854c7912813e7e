"""Advice of several findings that names the same value: the one number that satisfies all."""

from __future__ import annotations

import re
from collections.abc import Iterable

from mapper.check.finding import Finding

# Only speeds: a lower one is never worse for any limit, so the lowest that is advised satisfies all.
_SPEED = re.compile(r'(joints\.\S+\.limits\.speed\.(?:positive|negative)) = "([0-9.]+) deg/s"')


def joint_changes(findings: Iterable[Finding]) -> tuple[str, ...]:
    """One `key = "number unit"` a key that more than one finding advises on with different numbers, in their order."""
    advised: dict[str, list[float]] = {}
    for finding in findings:
        for key, number in _SPEED.findall(finding.advice):
            advised.setdefault(key, []).append(float(number))
    return tuple(f'{key} = "{min(numbers):g} deg/s"' for key, numbers in advised.items() if len(set(numbers)) > 1)
