"""`slowing`: holds on the worked profiles; a law that goes on following in `stopping` is seen."""

from __future__ import annotations

import pytest
from replay_case import KERB, STAND, worked_table

from mapper.check import Status
from mapper.check.law.pilot import running_state
from mapper.check.law.slowing import slowing
from mapper.law import INPUT_BITS, STATES, load_core
from mapper.table import decode_table


class GoesOn:
    """A law that follows on while it says that it is stopping: run with the device held, state renamed."""

    def __init__(self, live):
        self._live = live

    def run(self, state, rows):
        held = rows.copy()
        released = not rows[0, 1] & INPUT_BITS["enabling"]
        held[:, 1] |= INPUT_BITS["enabling"]
        out = self._live.run(state, held)
        if released:
            out[:, 0] = STATES.index("stopping")
        return out


@pytest.mark.parametrize("name", [KERB, STAND])
def test_every_joint_only_slows_in_stopping(name):
    table = decode_table(worked_table(name))
    live = load_core().table(worked_table(name))

    finding = slowing(table, live, running_state(table, live))

    assert finding.status is Status.HOLDS
    assert finding.cases > 20 * len(table.joints)


def test_a_law_that_follows_on_in_stopping_is_violated():
    table = decode_table(worked_table(STAND))
    live = load_core().table(worked_table(STAND))

    finding = slowing(table, GoesOn(live), running_state(table, live))

    assert finding.status is Status.VIOLATED
    assert finding.worst > 10
