"""L3 to L8 of the rules: from sensor counts to drives."""

from __future__ import annotations

from collections.abc import Sequence

from oracle_together import Together
from oracle_words import (
    AT_LIMIT,
    BRAKED,
    FLOW,
    FULL_SPEED,
    HELD,
    NEGATIVE,
    POSITIVE,
    Q16,
    STOPPING,
    JointState,
    SensorState,
    TrackState,
    clamp,
    count_up,
    direction,
    div,
    limit_32,
    sign,
)  # fmt: skip

from mapper.table.table import FOLLOW


class Motion(Together):
    # ------------------------------------------------------------------------------------------------ L3
    def sense(self, sensor: SensorState, counts: Sequence[int]) -> None:
        reached, wraps, table = self.reached, sensor.wraps, sensor.table
        for track in sensor.tracks:
            c = counts[track.table.input]
            now = track.curve.at(c)
            if wraps:
                now = self.wrap(now)  # a
            good = track.table.count_min <= c <= track.table.count_max  # b
            if not good:
                reached["L3b-window"] += 1
            elif track.primed and abs(self.difference(wraps, now, track.last)) > table.step_max:
                reached["L3b-step"] += 1
                good = False
            if good:
                self._good(sensor, track, c, now)
            else:
                reached["L3d-bad"] += 1
                track.good = 0  # d
                track.bad = min(track.bad + 1, table.bad_ticks)
                track.run += 1
                if track.bad == table.bad_ticks:
                    reached["L3d-unprimed"] += 1
                    if track.primed and track.run < table.bad_ticks:
                        reached["L3d-adds-up"] += 1  # no one run was long enough
                    track.primed = False
        values = [track.value for track in sensor.tracks]
        if len(values) == 2:
            self._compare(sensor, values[0], values[1])
        sensor.value, sensor.larger, sensor.smaller = values[0], max(values), min(values)  # f
        if sensor.larger != sensor.smaller:
            reached["L3f-spread"] += 1

    def _good(self, sensor: SensorState, track: TrackState, c: int, now: int) -> None:
        """L3c."""
        self.reached["L3c-good"] += 1
        track.last = now
        if not track.primed:
            self.reached["L3c-primed"] += 1
            track.newer = track.older = c
            track.primed = True
        median = sorted((c, track.newer, track.older))[1]
        track.newer, track.older = c, track.newer
        if median != c:
            self.reached["L3c-median"] += 1
            now = track.curve.at(median)
            if sensor.wraps:
                now = self.wrap(now)
        track.value = now
        if track.bad > 0:
            self.reached["L3c-forgives"] += 1
            track.bad -= 1
        track.run = 0
        track.good = count_up(track.good)

    def _compare(self, sensor: SensorState, value_0: int, value_1: int) -> None:
        """L3e."""
        if not (sensor.tracks[0].primed and sensor.tracks[1].primed):
            self.reached["L3e-unprimed"] += 1
            self.reached["L3e-unprimed-falls"] += sensor.apart > 0
            sensor.apart, sensor.apart_run = max(0, sensor.apart - 1), 0
        elif abs(self.difference(sensor.wraps, value_0, value_1)) > sensor.table.disagreement:
            self.reached["L3e-apart"] += 1
            sensor.apart_run += 1
            if sensor.apart == sensor.table.bad_ticks - 1 and sensor.apart_run < sensor.table.bad_ticks:
                self.reached["L3e-adds-up"] += 1  # no one run was long enough
            sensor.apart = min(sensor.apart + 1, sensor.table.bad_ticks)
        else:
            self.reached["L3e-agree"] += 1
            self.reached["L3e-falls"] += sensor.apart > 0
            sensor.apart, sensor.apart_run = max(0, sensor.apart - 1), 0

    # ------------------------------------------------------------------------------------------------ L4
    def demand(self, joint: JointState) -> None:
        reached, table = self.reached, joint.table
        if not all(track.primed for track in joint.operator.tracks):
            reached["L4-waits" if not joint.started else "L4-ends"] += 1
            joint.started = joint.matched = joint.at_rest = False
            joint.demand = joint.target = joint.operator_speed = 0
            return
        first = not joint.started
        joint.started = True
        if first:
            reached["L4a-first"] += 1
            joint.filter_f = joint.operator.value * Q16  # a
        else:
            reached["L4a-later"] += 1
            joint.filter_f += div(table.filter_q16 * (joint.operator.value * Q16 - joint.filter_f), Q16)
        joint.demand = div(joint.filter_f, Q16)
        if table.control == FOLLOW:
            self._demand_follow(joint, first)
            gap = self.difference(table.continuous, joint.target, joint.position.value)
            joint.matched = abs(gap) <= table.match_window_mdeg  # L10o
        else:
            self._demand_speed(joint)
            joint.matched = joint.at_rest  # L10o

    def _demand_follow(self, joint: JointState, first: bool) -> None:
        """L4b."""
        table, previous = joint.table, joint.target
        joint.target = joint.response.at(joint.demand)
        if table.continuous:
            self.reached["L4b-wraps"] += 1
            joint.target = self.wrap(joint.target)
        if first:
            self.reached["L4b-first"] += 1
            joint.filter_s = 0
        else:
            self.reached["L4b-later"] += 1
            moved = self.difference(table.continuous, joint.target, previous)
            speed_q16 = moved * self.machine.tick_hz * Q16
            joint.filter_s += div(table.speed_filter_q16 * (speed_q16 - joint.filter_s), Q16)
        joint.operator_speed = div(joint.filter_s, Q16)

    def _demand_speed(self, joint: JointState) -> None:
        """L4c."""
        deadband = joint.table.deadband
        s = clamp(joint.demand, -10_000, 10_000)
        if abs(s) <= deadband:
            self.reached["L4c-rest"] += 1
            joint.at_rest, joint.target = True, 0
            return
        self.reached["L4c-share"] += 1
        deadband_scale_q16 = 10_000 * Q16 // (10_000 - deadband)  # table.h
        u = min(10_000, (abs(s) - deadband) * deadband_scale_q16 // Q16)
        joint.at_rest, joint.target = False, joint.response.at(u if s > 0 else -u)

    # ------------------------------------------------------------------------------------------------ L5
    def _target_speed(self, joint: JointState) -> int:
        reached, table = self.reached, joint.table
        if self.state == STOPPING:
            reached["L5c"] += 1
            return 0  # c
        speed = table.speed_full_mdeg_s if self.mode == FULL_SPEED else table.speed_reduced_mdeg_s
        if table.control != FOLLOW:
            if joint.target == 0:
                reached["L5b-zero"] += 1
                return 0
            reached["L5b-share"] += 1
            return div(joint.target * speed[direction(joint.target)], 10_000)  # b
        e = self.difference(table.continuous, joint.target, joint.position.value)  # a
        if abs(e) <= table.deadband and abs(joint.operator_speed) <= table.speed_deadband_mdeg_s:
            reached["L5a-rest"] += 1
            return 0
        if table.gap_mdeg > 0 and abs(e) > table.gap_mdeg:
            reached["L5a-gap"] += 1
            joint.flags |= HELD
            return 0
        prop = limit_32(div(e * table.gain_q16, Q16))
        free = limit_32(div(joint.operator_speed * table.feed_q16, Q16))
        forward = clamp(free, -speed[NEGATIVE], speed[POSITIVE])
        if forward != free:
            reached["L5a-clamped"] += 1
        if prop >= speed[POSITIVE] or prop <= -speed[NEGATIVE]:
            reached["L5a-alone"] += 1
            forward = 0
        else:
            reached["L5a-both"] += 1
        return limit_32(prop + forward)

    # ------------------------------------------------------------------------------------------------ L6
    def _brake(self, joint: JointState, v: int, rule: str) -> int:
        """L6b and L7c: |v| that the distance to the soft stop allows."""
        stops = joint.table.soft_stop_mdeg
        way = direction(v)
        room = stops[POSITIVE] - joint.position.larger if way == POSITIVE else joint.position.smaller - stops[NEGATIVE]
        if room <= 0:
            self.reached[rule + "-beyond"] += 1
            joint.flags |= BRAKED
            return 0
        allowed = joint.brake[way].at(room)
        if allowed < abs(v):
            self.reached[rule + "-lowered"] += 1
            joint.flags |= BRAKED
            return allowed
        self.reached[rule + "-left"] += 1
        return abs(v)

    def _limit(self, joint: JointState, v: int) -> int:
        """L6a and L6b."""
        if v == 0:
            return 0
        reached, table = self.reached, joint.table
        speed = table.speed_full_mdeg_s if self.mode == FULL_SPEED else table.speed_reduced_mdeg_s
        s, magnitude = sign(v), abs(v)
        if magnitude > speed[direction(v)]:  # a
            reached["L6a-lowered"] += 1
            joint.flags |= AT_LIMIT
            magnitude = speed[direction(v)]
        else:
            reached["L6a-left"] += 1
        if table.continuous:
            reached["L6b-continuous"] += 1
            return s * magnitude
        return s * self._brake(joint, s * magnitude, "L6b")  # b

    def _scale_by_authority(self, v: int) -> int:
        """L6d."""
        if v:
            self.reached["L6d-lowered" if self.authority < Q16 else "L6d-left"] += 1
        return sign(v) * (abs(v) * self.authority // Q16)

    # ------------------------------------------------------------------------------------------------ L7
    def _ramp(self, joint: JointState, t: int) -> int:
        """L7a and L7b."""
        reached, table, w = self.reached, joint.table, joint.w
        accelerate = table.accelerate_mdeg_s
        decelerate = table.stop_mdeg_s if self.state == STOPPING else table.decelerate_mdeg_s
        if w > 0:
            if t >= w:
                reached["L7a-up-faster"] += 1
                return min(t, w + accelerate)
            if t >= 0:
                reached["L7a-up-slower"] += 1
                return max(t, w - decelerate)
            reached["L7a-up-reverse"] += 1
            return max(0, w - decelerate)
        if w < 0:
            if t <= w:
                reached["L7a-down-faster"] += 1
                return max(t, w - accelerate)
            if t <= 0:
                reached["L7a-down-slower"] += 1
                return min(t, w + decelerate)
            reached["L7a-down-reverse"] += 1
            return min(0, w + decelerate)
        if t and joint.last_direction and joint.last_direction != sign(t) and joint.zero < table.reversal_ticks:
            reached["L7b-waits"] += 1
            return 0
        reached["L7b-starts" if t else "L7b-rests"] += 1
        return clamp(t, -accelerate, accelerate)

    def move(self) -> None:
        """L5 to L8, in `running` and `stopping`."""
        for joint in self.joints:
            joint.flags = 0
        v = [self._limit(joint, self._target_speed(joint)) for joint in self.joints]
        v = self.brake_coupled(v, "L6c")
        v = [self._scale_by_authority(each) for each in v]
        v = self.share_pump(self.limit_tip(v))
        for joint, wanted in zip(self.joints, v, strict=True):
            joint.wanted = wanted
        w = [self._brake_ramped(joint, self._ramp(joint, joint.wanted)) for joint in self.joints]
        w = self.hold_tip(self.brake_coupled(w, "L7f"))
        for joint, speed in zip(self.joints, w, strict=True):
            self._drive(joint, speed)
        if any(joint.drive for joint in self.joints):
            self.reached["driving"] += 1

    def _brake_ramped(self, joint: JointState, w: int) -> int:
        """L7c."""
        if w == 0 or joint.table.continuous:
            return w
        return sign(w) * self._brake(joint, w, "L7c")

    def _drive(self, joint: JointState, w: int) -> None:
        """L7d to L8."""
        reached, table = self.reached, joint.table
        flow = 0
        way, s = direction(w), sign(w)
        if w:  # d
            k = joint.k[way].at(joint.position.value)
            flow = abs(w) * k // Q16
            if flow > table.flow_max_e4[way]:
                reached["L7d-clamped"] += 1
                joint.flags |= FLOW
                flow = table.flow_max_e4[way]
                w = s * min(abs(w), flow * Q16 // k)
                if w == 0:
                    flow = 0
            else:
                reached["L7d-left"] += 1
        joint.w = w  # e
        if w == 0:
            reached["L7e-zero"] += 1
            joint.zero = count_up(joint.zero)
        else:
            reached["L7e-moving"] += 1
            joint.zero, joint.last_direction = 0, s
        joint.flow = flow
        if flow == 0:
            reached["L8-zero"] += 1
            joint.drive = 0
            return
        drive = joint.valve[way].at(flow)  # L8
        reached["L8-drive-max" if drive > table.drive_max_e4 else "L8-drive"] += 1
        joint.drive = min(table.drive_max_e4, drive) * sign(w) * table.polarity

    def stand(self) -> None:
        """L1 and L7e in every other state."""
        self.share = Q16
        for joint in self.joints:
            self.reached["L7e-idle"] += 1
            joint.wanted = joint.w = joint.flow = joint.drive = joint.flags = 0
            joint.zero = count_up(joint.zero)
