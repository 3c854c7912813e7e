"""The control law in plain Python, written from THE RULES at the top of firmware_stub/core/law.h and from nothing
else.

Its author has not read the C. Whoever changes it keeps to that: headers only, then compare. It is written to be
read beside the rules, so each line that does one names it; nothing here is shared with the mapper package but the
table's data classes. Integers are Python's own, so nothing can overflow unseen: where a rule limits to 32 bits,
`limit_32` says so.

`Oracle.reached` counts how often each branch of each rule was taken.
"""

from __future__ import annotations

from collections.abc import Sequence

from oracle_motion import Motion
from oracle_safety import Safety
from oracle_words import MATCHED, RUNNING, STOPPING, JointTick, Tick, new_counter

from mapper.table.table import Table


class Oracle(Motion, Safety):
    """The law for one table, from power-up on. `reached` may be shared by many oracles.

    >>> Oracle(table).step(elapsed_us, digital, counts)  # counts: one for every analog input
    """

    def __init__(self, table: Table, reached: dict[str, int] | None = None) -> None:
        super().__init__(table, new_counter() if reached is None else reached)
        self.reached["L10s"] += 1

    def step(self, elapsed_us: int, digital: int, counts: Sequence[int]) -> Tick:
        """One tick, in the order of L1."""
        for joint in self.joints:
            self.sense(joint.operator, counts)
            self.sense(joint.position, counts)
        for joint in self.joints:
            self.demand(joint)
        fault = self.watch(elapsed_us, digital)
        self.safety(fault, digital)
        if self.state in (RUNNING, STOPPING):
            self.move()
        else:
            self.stand()
        return Tick(
            self.state, self.cause, self.cause_joint, self.mode, self.enable(), self.authority, self.share,
            tuple(
                JointTick(j.target, j.position.value, j.wanted, j.w, j.flow, j.drive, j.flags | MATCHED * j.matched)
                for j in self.joints
            ),
        )  # fmt: skip
