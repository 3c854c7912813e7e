"""L9 and L10 of the rules: the watches and the safety states."""

from __future__ import annotations

from oracle_words import (
    DISCREPANCY,
    EMERGENCY_STOP,
    ENABLING,
    FAULT,
    FULL_SPEED,
    KEY,
    LATE,
    MATCHING,
    MODE_FULL,
    MOVED,
    NO_JOINT,
    NONE,
    OPERATOR_COUNTS,
    OPERATOR_DISAGREEMENT,
    POSITION_COUNTS,
    POSITION_DISAGREEMENT,
    POWERING_UP,
    Q16,
    REDUCED,
    RELEASED,
    RESET,
    RUNNING,
    STALLED,
    STOP,
    STOP_1,
    STOP_2,
    STOPPED,
    STOPPING,
    JointState,
    MachineState,
    count_up,
    sign,
)  # fmt: skip


class Safety(MachineState):
    # ------------------------------------------------------------------------------------------------ L9
    def watch(self, elapsed_us: int, digital: int) -> tuple[int, int] | None:
        """The first fault of this tick as (cause, joint), or None. `state` is still that of the tick before."""
        reached = self.reached
        self._discrepancy(digital)
        found: list[tuple[int, int]] = []
        if elapsed_us > self.machine.tick_us + self.machine.late_us:  # a
            reached["L9a-late"] += 1
            found.append((LATE, NO_JOINT))
        if self.both_must_open:
            reached["L9a-discrepancy"] += 1
            found.append((DISCREPANCY, NO_JOINT))
        for index, joint in enumerate(self.joints):
            if joint.operator.counts_bad():  # b
                reached["L9b-operator-counts"] += 1
                found.append((OPERATOR_COUNTS, index))
            if joint.operator.apart_bad():
                reached["L9b-operator-disagreement"] += 1
                found.append((OPERATOR_DISAGREEMENT, index))
            if joint.position.counts_bad():
                reached["L9b-position-counts"] += 1
                found.append((POSITION_COUNTS, index))
            if joint.position.apart_bad():
                reached["L9b-position-disagreement"] += 1
                found.append((POSITION_DISAGREEMENT, index))
            if self.state in (MATCHING, RUNNING, STOPPING):
                if self._moved_without_drive(joint):
                    reached["L9c-moved"] += 1
                    found.append((MOVED, index))
                if self._drive_without_motion(joint):
                    reached["L9d-stalled"] += 1
                    found.append((STALLED, index))
                continue
            joint.busy = 0  # c
            if self.state == FAULT and self.cause in (MOVED, STALLED):
                if self._not_at_rest(joint):
                    if index != self.cause_joint:
                        reached["L9e-other-joint"] += 1
                    found.append((MOVED, index))
            else:
                reached["L9c-reset"] += 1
                joint.quiet = 0
        if len(found) > 1:
            reached["L9-several"] += 1
        return found[0] if found else None

    def _moved_without_drive(self, joint: JointState) -> bool:
        """L9c; joint.drive is that of the tick before."""
        table, p = joint.table, joint.position.value
        if joint.drive != 0:
            self.reached["L9c-driven"] += 1
            joint.quiet = 0
        else:
            self.reached["L9c-quiet"] += 1
            joint.quiet = count_up(joint.quiet)
        if joint.quiet == table.settle_ticks:
            self.reached["L9c-anchor"] += 1
            joint.quiet_anchor = p
        elif joint.quiet > table.settle_ticks:
            if abs(self.difference(table.continuous, p, joint.quiet_anchor)) > table.still_mdeg:
                return True
            if joint.quiet == table.settle_ticks + table.still_ticks:
                self.reached["L9c-renewed"] += 1
                joint.quiet, joint.quiet_anchor = table.settle_ticks, p
        return False

    def _drive_without_motion(self, joint: JointState) -> bool:
        """L9d; joint.flow and joint.w are those of the tick before."""
        table, p = joint.table, joint.position.value
        if joint.flow < table.stall_flow_e4:
            self.reached["L9d-slack"] += 1
            joint.busy = 0
            return False
        if joint.busy == 0:
            self.reached["L9d-anchor"] += 1
            joint.busy_anchor = p
        joint.busy = count_up(joint.busy)
        moved = self.difference(table.continuous, p, joint.busy_anchor)
        if moved * sign(joint.w) >= table.stall_mdeg:
            self.reached["L9d-moving"] += 1
            joint.busy = 0
            return False
        if abs(moved) >= table.stall_mdeg:
            self.reached["L9d-other-way"] += 1
        self.reached["L9d-counting"] += 1
        return joint.busy >= table.stall_ticks

    def _not_at_rest(self, joint: JointState) -> bool:
        """L9e; in a fault for a joint that moved or stalled, every joint has to rest first."""
        table, p = joint.table, joint.position.value
        if abs(self.difference(table.continuous, p, joint.quiet_anchor)) > table.still_mdeg:
            self.reached["L9e-moving"] += 1
            joint.quiet, joint.quiet_anchor = 0, p
        else:
            joint.quiet = count_up(joint.quiet)
        if joint.quiet < table.still_ticks:
            self.reached["L9e-counting"] += joint.quiet > 0
            return True
        self.reached["L9e-rested"] += 1
        return False

    # ------------------------------------------------------------------------------------------------ L10
    def _discrepancy(self, digital: int) -> None:
        """L10b, before the watch that reads it."""
        closed_1, closed_2 = bool(digital & STOP_1), bool(digital & STOP_2)
        if closed_1 != closed_2:
            self.reached["L10b-differ"] += 1
            self.differ = min(self.differ + 1, self.machine.discrepancy_ticks)
            if self.differ == self.machine.discrepancy_ticks:
                self.reached["L10b-set"] += 1
                self.both_must_open = True
        else:
            self.differ = 0
            if not closed_1 and self.both_must_open:
                self.reached["L10b-cleared"] += 1
                self.both_must_open = False
            elif self.both_must_open:
                self.reached["L10b-present"] += 1

    def _reset_edge(self, digital: int) -> bool:
        """L10c."""
        if digital & RESET:
            self.reached["L10c-pressed"] += 1
            self.press = count_up(self.press)
            return False
        press, self.press = self.press, 0
        if press == 0:  # not the tick in which it is let go
            return False
        if press < self.machine.reset_min_ticks:
            self.reached["L10c-short"] += 1
            return False
        if press > self.machine.reset_max_ticks:
            self.reached["L10c-long"] += 1
            return False
        self.reached["L10c-edge"] += 1
        return True

    def _enter(self, state: int, cause: int = NONE, joint: int = NO_JOINT) -> None:
        """L10p."""
        if state == STOPPED and self.state not in (EMERGENCY_STOP, FAULT):
            self.seen_released = False
            if self.state == POWERING_UP:
                self.permit = False
        if state in (EMERGENCY_STOP, FAULT):
            self.permit = self.seen_released = False
        if state == FAULT:
            for each in self.joints:
                each.quiet, each.quiet_anchor = 0, each.position.value
        self.state, self.cause, self.cause_joint = state, cause, joint
        self.state_ticks = self.match_ticks = 0

    def safety(self, fault: tuple[int, int] | None, digital: int) -> None:
        before = self.state
        stop_open = not (digital & STOP_1 and digital & STOP_2)  # a
        if stop_open:
            self.reached["L10a-open"] += 1
        self.edge = self._reset_edge(digital)
        held = bool(digital & ENABLING)
        if before == POWERING_UP:
            self._from_powering_up(stop_open)
        elif before == FAULT:
            self._from_fault(fault, stop_open, held)
        elif fault is not None:
            self.reached["L10e-fault"] += 1
            self._enter(FAULT, *fault)  # e
        elif before == STOPPED:
            self._from_stopped(stop_open, held, digital)
        elif before == MATCHING:
            self._from_matching(stop_open, held)
        elif before == RUNNING:
            self._from_running(stop_open, held)
        elif before == STOPPING:
            self._from_stopping(stop_open)
        else:
            self._from_emergency_stop(stop_open, held)
        self._set_authority(before)
        self._set_mode(before, FULL_SPEED if digital & MODE_FULL else REDUCED)

    def _all_ready(self) -> bool:
        """L3f, for L10d."""
        return all(
            track.good >= self.machine.power_up_ticks
            for joint in self.joints
            for sensor in (joint.operator, joint.position)
            for track in sensor.tracks
        )

    def _from_powering_up(self, stop_open: bool) -> None:
        """L10d."""
        if not self._all_ready():
            self.reached["L10d-waits"] += 1
            return
        self.reached["L10d-emergency" if stop_open else "L10d-stopped"] += 1
        if stop_open:
            self._enter(EMERGENCY_STOP, STOP)
        else:
            self._enter(STOPPED)
        self.permit = self.seen_released = False

    def _from_fault(self, fault: tuple[int, int] | None, stop_open: bool, held: bool) -> None:
        """L10n."""
        if stop_open or held or not self.edge:
            return
        if fault is not None:
            self.reached["L10n-unrested" if fault[0] == MOVED else "L10n-present"] += 1  # MOVED: only L9e in a fault
            return
        if not self._all_ready():
            self.reached["L10n-unready"] += 1
            return
        self.reached["L10n-rested" if self.cause in (MOVED, STALLED) else "L10n"] += 1
        self._enter(STOPPED)
        self.permit = self.seen_released = True

    def _from_emergency_stop(self, stop_open: bool, held: bool) -> None:
        """L10m."""
        if not stop_open and not held and self.edge:
            self.reached["L10m"] += 1
            self._enter(STOPPED)
            self.permit = self.seen_released = True

    def _from_stopped(self, stop_open: bool, held: bool, digital: int) -> None:
        if stop_open:
            self.reached["L10f-stopped"] += 1
            self._enter(EMERGENCY_STOP, STOP)  # f
            return
        if not held:  # l
            self.reached["L10l-seen"] += 1
            self.seen_released = True
            if self.edge:
                self.reached["L10l-permit"] += 1
                self.permit = True
        elif self.permit and self.seen_released and not digital & KEY:
            self.reached["L10l-matching"] += 1
            self._enter(MATCHING)
        elif self.permit and self.seen_released:
            self.reached["L10l-key"] += 1
        else:
            self.reached["L10l-unseen"] += 1

    def _from_matching(self, stop_open: bool, held: bool) -> None:
        if stop_open:
            self.reached["L10f-matching"] += 1
            self._enter(EMERGENCY_STOP, STOP)  # f
            return
        if not held:
            self.reached["L10k"] += 1
            self._enter(STOPPED)  # k
            return
        loaded = self.state_ticks >= self.machine.load_ticks  # o, read as in i: the ticks before this one
        self.state_ticks = count_up(self.state_ticks)
        if not loaded:
            self.reached["L10o-loading"] += 1
        elif not all(joint.matched for joint in self.joints):
            self.reached["L10o-unmatched"] += 1
            self.match_ticks = 0
        else:
            self.reached["L10o-matched"] += 1
            self.match_ticks = count_up(self.match_ticks)
            if self.match_ticks >= self.machine.match_ticks:
                self.reached["L10o-running"] += 1
                self._enter(RUNNING)

    def _from_running(self, stop_open: bool, held: bool) -> None:
        if stop_open:  # g
            self.reached["L10g-category1" if self.machine.stop_category else "L10g-category0"] += 1
            self._enter(STOPPING if self.machine.stop_category else EMERGENCY_STOP, STOP)
        elif not held:
            self.reached["L10j"] += 1
            self._enter(STOPPING, RELEASED)  # j

    def _from_stopping(self, stop_open: bool) -> None:
        if stop_open and self.machine.stop_category == 0:
            self.reached["L10h-category0"] += 1
            self._enter(EMERGENCY_STOP, STOP)  # h
            return
        if stop_open and self.cause != STOP:
            self.reached["L10h-category1"] += 1
            self.cause, self.state_ticks = STOP, 0
        deadline = self.machine.stop_ticks if self.cause == STOP else self.machine.release_ticks  # i
        standing = all(joint.w == 0 for joint in self.joints)
        if not standing and self.state_ticks < deadline:
            self.reached["L10i-stays"] += 1
            self.state_ticks = count_up(self.state_ticks)
            return
        self.reached["L10i-standstill" if standing else "L10i-deadline"] += 1
        if self.cause == STOP:
            self.reached["L10i-to-emergency"] += 1
            self._enter(EMERGENCY_STOP, STOP)
        else:
            self.reached["L10i-to-stopped"] += 1
            self._enter(STOPPED)

    def _set_authority(self, before: int) -> None:
        """L10p."""
        if self.state == RUNNING and before == RUNNING:
            self.reached["L10p-full" if self.authority == Q16 else "L10p-authority"] += 1
            self.authority = min(Q16, self.authority + self.machine.authority_step_q16)
        elif self.state != STOPPING:
            self.authority = 0

    def _set_mode(self, before: int, asked: int) -> None:
        """L10q."""
        if self.state not in (MATCHING, RUNNING, STOPPING) or (self.state == MATCHING and before != MATCHING):
            self.reached["L10q-asked"] += 1
            self.mode = asked
        elif asked < self.mode:
            self.reached["L10q-falls"] += 1
            self.mode = REDUCED
        elif asked > self.mode:
            self.reached["L10q-never-rises"] += 1

    def enable(self) -> int:
        """L10r."""
        on = self.state in (MATCHING, RUNNING, STOPPING)
        self.reached["L10r-on" if on else "L10r-off"] += 1
        return int(on)
