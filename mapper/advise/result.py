"""What was found: for every number its value, what it was, and what binds."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from mapper.advise.bench import Breach
from mapper.advise.edit import LineChange
from mapper.advise.number import Number
from mapper.check.finding import Finding
from mapper.check.result import CheckResult


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberAdvice:
    """`breach` is what breaks with `beyond`, a step farther out, all other numbers as advised. It is None where no
    search came to the number, and of the format where nothing of the machine stops it: `value` is then the file's.
    """

    number: Number
    value: Fraction
    beyond: Fraction
    breach: Breach | None
    margin: float | None  # of the limit that binds, at `value`

    @property
    def changed(self) -> bool:
        return self.value != self.number.now


@dataclass(frozen=True, slots=True, kw_only=True)
class JointAdvice:
    joint: str
    held: bool  # as the file is
    numbers: tuple[NumberAdvice, ...]  # empty where no setting holds
    in_the_way: tuple[Finding, ...]  # then: what no setting that was tried mends
    tries: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Advice:
    """`data` is the file with the values in it; `check` is the full check of that very text."""

    joints: tuple[JointAdvice, ...]
    data: bytes
    changes: tuple[LineChange, ...]
    check: CheckResult
    bad_now: tuple[Finding, ...]  # limits that all joints share and that do not hold as the file is
    drawn_back: tuple[Finding, ...]  # what the values found did not hold together; less of each was taken then
    revision: int
    rounds: int
    tries: int

    @property
    def may_be_written(self) -> bool:
        return self.check.holds and all(joint.numbers for joint in self.joints)
