"""Advice of several findings that names the same value: the one number that satisfies all."""

from __future__ import annotations

import re
from collections.abc import Iterable

from mapper.check.finding import Finding

# Only what is never worse for any limit when it is lower, so that the lowest that is advised satisfies all: speeds, and
# how far two tracks may differ.
_LOWER_IS_BETTER = re.compile(
    r'(joints\.\S+\.(?:limits\.speed\.(?:positive|negative)|position\.disagreement)) = "([0-9.]+) (deg/s|deg)"'
)


def joint_changes(findings: Iterable[Finding]) -> tuple[str, ...]:
    """One `key = "number unit"` a key that more than one finding advises on with different numbers, in their order."""
    advised: dict[tuple[str, str], list[float]] = {}
    for finding in findings:
        for key, number, unit in _LOWER_IS_BETTER.findall(finding.advice):
            advised.setdefault((key, unit), []).append(float(number))
    return tuple(
        f'{key} = "{min(numbers):g} {unit}"' for (key, unit), numbers in advised.items() if len(set(numbers)) > 1
    )
