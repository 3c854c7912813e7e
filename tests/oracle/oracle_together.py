"""L6c, L6e, L6f, L7f and L7g of the rules: what several joints have to keep within together."""

from __future__ import annotations

from oracle_words import (
    BRAKED,
    Q16,
    REDUCED,
    SHARED,
    TIP,
    CoupledLimit,
    JointState,
    MachineState,
    direction,
    limit_32,
    sign,
)


class Together(MachineState):
    """Every method takes and gives the signed speeds of all joints, in the table's order."""

    # ------------------------------------------------------------------------------------------------ L6c, L7f
    def brake_coupled(self, speeds: list[int], rule: str) -> list[int]:
        """L6c for the target speeds, L7f for the ramped ones: one stop after the other, in the table's order."""
        braked: set[int] = set()
        for stop in self.coupled:
            speeds = self._brake_stop(stop, speeds, rule, braked)
        return speeds

    def coupled_room(self, stop: CoupledLimit) -> int:
        """Room left, in mdeg of the weighted sum, from the worse end of each sensor."""
        used_e3 = 0
        for index, weight in zip(stop.table.joints, stop.table.weights_e3, strict=True):
            position = self.joints[index].position
            used_e3 += weight * (position.larger if weight > 0 else position.smaller)
        return limit_32((stop.table.limit_mdeg * 1_000 - used_e3) // 1_000)

    def closing(self, stop: CoupledLimit, speeds: list[int]) -> list[int]:
        """What each of the two joints adds to the weighted sum a second, in thousandths of mdeg/s; never below 0."""
        pairs = zip(stop.table.joints, stop.table.weights_e3, strict=True)
        return [max(0, weight * speeds[index]) for index, weight in pairs]

    def _brake_stop(self, stop: CoupledLimit, speeds: list[int], rule: str, braked: set[int]) -> list[int]:
        room = self.coupled_room(stop)
        cap = 0 if room <= 0 else stop.brake.at(room)
        closing = self.closing(stop, speeds)
        total = sum(closing)
        if total <= cap * 1_000:
            self.reached[rule + ("-left" if total else "-idle")] += 1
            return speeds
        factor = cap * 1_000 * Q16 // total
        lowered = list(speeds)
        for index, part in zip(stop.table.joints, closing, strict=True):
            if part > 0:
                joint = self.joints[index]
                joint.flags |= BRAKED
                lowered[index] = sign(speeds[index]) * (abs(speeds[index]) * factor // Q16)
        self._count_braked(stop, speeds, closing, room, rule, braked)
        return lowered

    def _count_braked(
        self, stop: CoupledLimit, speeds: list[int], closing: list[int], room: int, rule: str, braked: set[int]
    ) -> None:
        """No part of the rule: which kinds of stop acted, for `reached`."""
        reached = self.reached
        reached[rule + ("-beyond" if room <= 0 else "-scaled")] += 1
        reached[rule + "-both"] += all(closing)
        for index, weight, part in zip(stop.table.joints, stop.table.weights_e3, closing, strict=True):
            if part == 0:
                reached[rule + "-away"] += speeds[index] != 0
                continue
            reached[rule + "-again"] += index in braked  # by an earlier stop of this tick
            reached[rule + "-weight-negative"] += weight < 0
            position = self.joints[index].position
            worse = position.larger if weight > 0 else position.smaller
            reached[rule + "-worse-track"] += worse != position.value
            braked.add(index)

    # ------------------------------------------------------------------------------------------------ L6f, L7g
    def _tip_limit(self, rule: str) -> int:
        """The limit that holds now, 0 for none."""
        if self.mode != REDUCED:
            self.reached[rule + "-full"] += 1
            return 0
        if self.machine.tip_mdeg_mm_s == 0:
            self.reached[rule + "-none"] += 1
        return self.machine.tip_mdeg_mm_s

    def _tip_speed(self, speeds: list[int]) -> int:
        """mdeg/s x mm: what the joints together may move the farthest point by."""
        return sum(abs(speed) * joint.table.reach_mm for joint, speed in zip(self.joints, speeds, strict=True))

    def limit_tip(self, v: list[int]) -> list[int]:
        """L6f."""
        limit, total = self._tip_limit("L6f"), self._tip_speed(v)
        if limit == 0 or total == 0:
            return v
        if total <= limit:
            self.reached["L6f-left"] += 1
            return v
        factor = limit * Q16 // total
        return [self._scale_tip(joint, each, factor) for joint, each in zip(self.joints, v, strict=True)]

    def _scale_tip(self, joint: JointState, v: int, factor: int) -> int:
        if v == 0:
            return 0
        if joint.table.reach_mm == 0:
            self.reached["L6f-reachless"] += 1
            return v
        less = abs(v) * factor // Q16
        if less < abs(v):
            self.reached["L6f-scaled" if less else "L6f-to-zero"] += 1
            joint.flags |= TIP
        return sign(v) * less

    def hold_tip(self, w: list[int]) -> list[int]:
        """L7g; joint.w is still that of the tick before."""
        limit, total = self._tip_limit("L7g"), self._tip_speed(w)
        if limit == 0 or total == 0:
            return w
        if total <= limit:
            self.reached["L7g-left"] += 1
            return w
        return [self._hold_joint(joint, each) for joint, each in zip(self.joints, w, strict=True)]

    def _hold_joint(self, joint: JointState, w: int) -> int:
        before = abs(joint.w)
        if abs(w) <= before:
            self.reached["L7g-slows"] += abs(w) < before
            return w
        if joint.table.reach_mm == 0:
            self.reached["L7g-reachless"] += 1
            return w
        self.reached["L7g-held" if before else "L7g-held-at-zero"] += 1
        joint.flags |= TIP
        return sign(w) * before

    # ------------------------------------------------------------------------------------------------ L6e
    def share_pump(self, wanted: list[int]) -> list[int]:
        """L6e."""
        total = 0
        for joint, v in zip(self.joints, wanted, strict=True):
            if v:
                k = joint.k[direction(v)].at(joint.position.value)
                need = limit_32(-(-(abs(v) * k) // Q16))
                total += need * joint.table.flow_full_ml_min
        supply = self.machine.pump_ml_min * 10_000
        self.share = supply * Q16 // total if total > supply else Q16
        scaled = []
        for joint, v in zip(self.joints, wanted, strict=True):
            less = abs(v) * self.share // Q16
            if less < abs(v):
                self.reached["L6e-scaled" if less else "L6e-to-zero"] += 1
                joint.flags |= SHARED
            elif v:
                self.reached["L6e-left"] += 1
            scaled.append(sign(v) * less)
        return scaled
