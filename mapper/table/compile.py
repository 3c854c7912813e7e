"""Profile -> Table: exact rationals to integers, every one rounded to the side that is safe, which each step names.

Slower is safe: speeds, accelerations, braking and flow go down, soft stops and windows inward, times of detection
down, times of waiting up, the window of the standstill watch up (a longer one finds a slower drift). Deadlines are
kept with every tick late. Filters, gains and calibration have no safe side and go to the nearest value; the checker
looks at both corners. Geometry needs roots and sines: see `exact` for how two PCs get the same bits.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from mapper import __version__
from mapper.errors import MapperError
from mapper.machine.model import NEGATIVE, POSITIVE
from mapper.profile.profile import CoupledStop, Follow, Joint, OperatorInput, Profile, Sensor, TwoWay
from mapper.table.compile_brake import brake_curves, coupled_brake
from mapper.table.compile_drive import (
    CurveError,
    flow_curves,
    flow_full_ml_min,
    flow_max_e4,
    valve_curve,
)
from mapper.table.compile_tip import TipError, TipLimit, tip_limit
from mapper.table.encode import EncodeError, encode_table
from mapper.table.exact import exponential, nearest, pi, toward_zero
from mapper.table.table import FOLLOW, FULL_E4, Q16, SPEED, Curve, JointTable, MachineTable, Pair, Table
from mapper.table.table import CoupledStop as CoupledTable
from mapper.table.table import Sensor as SensorTable
from mapper.table.table import Track as TrackTable

_MDEG = 1000
_MICRO = 1_000_000
_ML_MIN_PER_M3_S = 60 * _MICRO
_SPARE_TICKS = 3
_CONTINUOUS_STOPS = (180 * _MDEG, -180 * _MDEG)


class CompileError(MapperError):
    """Something in the profile does not fit the table.

    Attributes:
        joint: name of the joint, None for the machine.
        item: path of the item in the profile, or the part of the table that it becomes.
    """

    def __init__(self, joint: str | None, item: str, found: str, remedy: str) -> None:
        place = item if joint is None else f"joints.{joint}.{item}"
        super().__init__(f"{place}: {found}; {remedy}")
        self.joint = joint
        self.item = item


def compile_table(profile: Profile) -> Table:
    """The table of a profile.

    Args:
        profile: as read by `read_profile`: in range, references resolved.

    Returns:
        A table that `encode_table` accepts; the same for the same profile on every PC.

    Raises:
        CompileError: a value does not fit the table; the text names the joint, the item and what to change.
    """
    tick_us = _tick_us(profile)
    tick_s = Fraction(tick_us, _MICRO)
    joints = tuple(_joint_table(_alone(profile, joint), joint.name, tick_s) for joint in profile.joints)
    tip = _tip(profile)
    table = Table(
        machine_id=profile.machine_id,
        revision=profile.revision,
        tool_version=_tool_version(__version__),
        profile_digest=profile.digest,
        machine=_machine(profile, tick_us, tip.tip_mdeg_mm_s),
        joints=tuple(replace(joint, reach_mm=reach) for joint, reach in zip(joints, tip.reach_mm, strict=True)),
        coupled=tuple(row for _, row in _coupled(profile)),
    )
    try:
        encode_table(table)
    except EncodeError as error:
        raise _in_words_of_profile(profile, error) from error
    return table


def _alone(profile: Profile, joint: Joint) -> Profile:
    """What the joint's own table is made of: the machine, the joint, and the coupled stops that it has a part in."""
    stops = tuple(stop for stop in profile.coupled_stops if joint.name in stop.joints)
    names = {joint.name, *(name for stop in stops for name in stop.joints)}
    return replace(
        profile,
        joints=tuple(one for one in profile.joints if one.name in names),
        coupled_stops=stops,
        keep_out=(),
        waivers=(),
        digest=b"",
        file_name="",
    )


@functools.lru_cache(maxsize=64)  # a search changes one joint at a time, and braking curves take most of the time
def _joint_table(profile: Profile, name: str, tick_s: Fraction) -> JointTable:
    """profile: of `_alone`, so that nothing else of it can count."""
    joint = next(one for one in profile.joints if one.name == name)
    return _JointCompiler(profile, joint, tick_s).table()


def _tool_version(version: str) -> tuple[int, int, int]:
    numbers = [int("".join(c for c in part if c.isdigit()) or "0") for part in version.split(".")[:3]]
    major, minor, patch = (*numbers, 0, 0, 0)[:3]
    return major, minor, patch


def _in_words_of_profile(profile: Profile, error: EncodeError) -> CompileError:
    joint, item = None, error.path
    if error.path.startswith("joints["):
        index, _, item = error.path.removeprefix("joints[").partition("].")
        joint = profile.joints[int(index)].name
    elif error.path.startswith("coupled["):
        index, _, rest = error.path.removeprefix("coupled[").partition("]")
        item = _coupled(profile)[int(index)][0] + rest
    return CompileError(
        joint, item, f"compiles to {error.value}, which the table does not hold", f"allowed: {error.allowed}"
    )


def _tick_us(profile: Profile) -> int:
    micros = profile.controller.tick_s * _MICRO
    if micros.denominator != 1 or not 1000 <= micros <= 20000 or _MICRO % int(micros) != 0:
        raise CompileError(
            None,
            "controller.tick",
            f"{float(micros)} us",
            "a tick is 1 to 20 ms and goes a whole number of times into a second (1, 2, 4, 5, 8, 10, 20 ms do)",
        )
    return int(micros)


def _tip(profile: Profile) -> TipLimit:
    try:
        return tip_limit(profile)
    except TipError as error:
        raise CompileError(error.joint, error.item, error.found, error.remedy) from error


def _coupled(profile: Profile) -> tuple[tuple[str, CoupledTable], ...]:
    """One row for each lower and each upper stop, in the table's order, after the item that it is made of."""
    rows = [row for stop in profile.coupled_stops for row in _coupled_rows(profile, stop)]
    return tuple(sorted(rows, key=lambda row: (row[1].joints, row[1].weights_e3, row[1].limit_mdeg)))


def _coupled_rows(profile: Profile, stop: CoupledStop) -> Iterator[tuple[str, CoupledTable]]:
    """An upper stop as it is, a lower one with every sign turned round; the limit inward."""
    names = [joint.name for joint in profile.joints]
    first, second = (names.index(name) for name in stop.joints)
    for pair, sign, upper in ((stop.upper, 1, True), (stop.lower, -1, False)):
        if pair is not None:
            row = CoupledTable(
                joints=(first, second),
                weights_e3=(int(sign * stop.weights[0] * 1000), int(sign * stop.weights[1] * 1000)),
                limit_mdeg=(sign * pair.soft_deg * _MDEG).__floor__(),
                brake=coupled_brake(profile, stop, upper),
            )
            yield f"coupled_stops.{stop.name}.{'upper' if upper else 'lower'}", row


def _machine(profile: Profile, tick_us: int, tip_mdeg_mm_s: int) -> MachineTable:
    tick_s = Fraction(tick_us, _MICRO)
    stop, start = profile.emergency_stop, profile.start
    relay_s = stop.delayed_off_relay_s
    if stop.category == 1 and relay_s is None:
        raise CompileError(
            None,
            "emergency_stop.category",
            "1 without a delayed-off relay",
            "state delayed_off_relay, or use category 0",
        )
    ramp_ticks = start.authority_ramp_s / tick_s
    machine = MachineTable(
        tick_us=tick_us,
        tick_hz=_MICRO // tick_us,
        late_us=(profile.controller.late_s * _MICRO).__floor__(),  # down: stricter
        pump_ml_min=(profile.supply.flow_m3_s * _ML_MIN_PER_M3_S).__floor__(),  # down: shares earlier
        power_up_ticks=max(3, (start.sensors_good_s / tick_s).__ceil__()),  # up: waits longer
        discrepancy_ticks=max(1, (stop.discrepancy_s / tick_s).__floor__()),  # down: detects sooner
        reset_min_ticks=max(1, (stop.reset_min_s / tick_s).__ceil__()),  # inward
        reset_max_ticks=(stop.reset_max_s / tick_s).__floor__(),  # inward
        load_ticks=(start.pump_load_s / tick_s).__ceil__(),  # up: waits longer
        match_ticks=max(1, (start.match_hold_s / tick_s).__ceil__()),  # up: waits longer
        authority_step_q16=Q16 if ramp_ticks <= 1 else max(1, (Q16 / ramp_ticks).__floor__()),  # down: slower ramp
        stop_category=stop.category,
        # The controller is at zero before the relay drops, so that the joint and not the dump valve ends the motion.
        stop_ticks=0 if relay_s is None else _deadline_ticks(profile, "delayed_off_relay", relay_s),
        release_ticks=_deadline_ticks(profile, "release_deadline", stop.release_deadline_s),
        tip_mdeg_mm_s=tip_mdeg_mm_s,  # down: slower
    )
    if machine.reset_min_ticks >= machine.reset_max_ticks:
        raise CompileError(
            None,
            "emergency_stop.reset_press",
            f"{machine.reset_min_ticks} to {machine.reset_max_ticks} ticks",
            "the longest press must be at least a tick above the shortest",
        )
    return machine


def _deadline_ticks(profile: Profile, key: str, time_s: Fraction) -> int:
    """The most ticks of slowing down after which the outputs are at zero within `time_s`, with every tick late.

    `_SPARE_TICKS` more go by besides: one at most from the opened contact to the tick that reads it, that tick itself
    (the law counts its ticks from there, law.h, rule L10i), and one until the zero of the last tick is at the output.
    """
    late_tick_s = profile.controller.tick_s + profile.controller.late_s
    ticks = (time_s / late_tick_s).__floor__() - _SPARE_TICKS  # down: zero sooner
    if ticks < 1:
        least_s = (_SPARE_TICKS + 1) * late_tick_s
        raise CompileError(
            None,
            f"emergency_stop.{key}",
            f"{float(time_s * 1000):g} ms, too quick by {float((least_s - time_s) * 1000):g} ms",
            f"at least {float(least_s * 1000):g} ms: {_SPARE_TICKS + 1} ticks, each late by late_allowance",
        )
    return ticks


class _JointCompiler:
    """One joint; holds what every step needs."""

    def __init__(self, profile: Profile, joint: Joint, tick_s: Fraction) -> None:
        self._profile = profile
        self._joint = joint
        self._tick_s = tick_s

    def table(self) -> JointTable:
        joint, tick_s = self._joint, self._tick_s
        follow, watch, valve = joint.follow, joint.watch, joint.valve
        speed_full = self._pair("limits.speed", joint.limits.speed_deg_s)
        # First of all, since the braking curves rest on them: what is wrong with them is told by their name.
        flow_per_speed, valve_curves = self._flow(), (self._valve(POSITIVE), self._valve(NEGATIVE))
        flow_max = self._pair_of(lambda side: flow_max_e4(self._profile, joint, side))
        return JointTable(
            control=FOLLOW if follow is not None else SPEED,
            continuous=joint.continuous,
            polarity=-1 if valve.reversed else 1,
            operator=self._sensor(joint.operator.sensor, FULL_E4 if follow is None else _MDEG),
            position=self._sensor(joint.position, _MDEG),
            filter_q16=self._filter(joint.operator.filter_hz),
            speed_filter_q16=self._filter(joint.operator.speed_filter_hz),
            response=self._response(joint.operator),
            speed_full_mdeg_s=speed_full,
            speed_reduced_mdeg_s=self._pair("limits.reduced_speed", joint.limits.reduced_speed_deg_s),
            accelerate_mdeg_s=self._step("limits.acceleration", joint.limits.acceleration_deg_s2),
            decelerate_mdeg_s=self._step("limits.deceleration", joint.limits.deceleration_deg_s2),
            stop_mdeg_s=self._step("limits.stop_deceleration", joint.limits.stop_deceleration_deg_s2),
            soft_stop_mdeg=self._soft_stops(),
            brake=brake_curves(self._profile, joint, speed_full),
            flow_per_speed_q16=flow_per_speed,
            flow_max_e4=flow_max,
            flow_full_ml_min=flow_full_ml_min(joint),
            valve=valve_curves,
            drive_max_e4=(valve.drive_max * FULL_E4).__floor__(),  # down
            reversal_ticks=max(1, (valve.reversal_hold_s / tick_s).__ceil__()),  # up: waits longer
            settle_ticks=max(1, (watch.settle_s / tick_s).__floor__()),  # down: watches sooner
            still_ticks=max(1, (watch.still_s / tick_s).__ceil__()),  # up: finds slower drift
            still_mdeg=(watch.still_deg * _MDEG).__floor__(),  # down: stricter
            stall_flow_e4=max(1, (watch.stall_flow * FULL_E4).__floor__()),  # down: watches more
            stall_ticks=max(1, (watch.stall_s / tick_s).__floor__()),  # down: detects sooner
            stall_mdeg=max(1, (watch.stall_deg * _MDEG).__ceil__()),  # up: stricter
            reach_mm=0,  # known when all joints are: `compile_tip`
            **self._follow(follow),
        )

    def _error(self, item: str, found: str, remedy: str) -> CompileError:
        return CompileError(self._joint.name, item, found, remedy)

    def _pair_of(self, value: Callable[[int], int]) -> Pair:
        return value(POSITIVE), value(NEGATIVE)

    def _follow(self, follow: Follow | None) -> dict[str, int]:
        """Deadbands up (stands still more), windows down, gain and feed-forward to the nearest (no safe side)."""
        if follow is None:
            deadband = (self._joint.operator.deadband_share * FULL_E4).__ceil__()
            zeros = ("speed_deadband_mdeg_s", "gain_q16", "feed_q16", "match_window_mdeg", "gap_mdeg")
            return {"deadband": deadband, **dict.fromkeys(zeros, 0)}
        gap = 0 if follow.gap_deg is None else (follow.gap_deg * _MDEG).__floor__()
        if follow.gap_deg is not None and gap == 0:
            raise self._error("follow.gap", f"{float(follow.gap_deg)} deg", "at least 0.001 deg, or leave the key out")
        return {
            "deadband": (follow.error_deadband_deg * _MDEG).__ceil__(),
            "speed_deadband_mdeg_s": (follow.speed_deadband_deg_s * _MDEG).__ceil__(),
            "gain_q16": nearest(follow.gain_per_s * Q16),
            "feed_q16": nearest(follow.feed_forward * Q16),
            "match_window_mdeg": (follow.match_window_deg * _MDEG).__floor__(),
            "gap_mdeg": gap,
        }

    # -- sensors --------------------------------------------------------------------------------------------------

    def _sensor(self, sensor: Sensor, scale: int) -> SensorTable:
        """scale: 1000 for degrees, 10000 for a lever share."""
        tracks = tuple(
            TrackTable(
                input=track.input_index,
                count_min=track.count_min,
                count_max=track.count_max,
                curve=Curve(points=tuple((count, nearest(value * scale)) for count, value in sorted(track.points))),
            )
            for track in sensor.tracks
        )
        # What the joint can do in a tick, the sensor's error, and one count of the coarsest track, which any reading
        # may be off by; up, since a sound step must never count as a fault.
        coarsest = max(_count_step(track.curve.points) for track in tracks)
        step = (sensor.rate_max * self._tick_s * scale).__ceil__() + (sensor.error_deg * scale).__ceil__() + coarsest
        disagreement = 1 if sensor.disagreement is None else max(1, (sensor.disagreement * scale).__floor__())  # down
        return SensorTable(
            tracks=tracks,
            step_max=step,
            disagreement=disagreement,
            bad_ticks=max(1, (sensor.fault_time_s / self._tick_s).__floor__()),  # down: detects sooner
        )

    def _filter(self, corner_hz: Fraction) -> int:
        """First-order low-pass, exact for a held input: 1 - exp(-2 pi f T), to the nearest 1/65536 (no safe side)."""
        share = 1 - exponential(-2 * pi() * corner_hz * self._tick_s)
        return max(1, nearest(share * Q16))

    def _response(self, operator: OperatorInput) -> Curve:
        """Follow: to the nearest mdeg. Speed control: the share toward zero, which is slower."""
        if self._joint.follow is not None:
            return Curve(points=tuple((nearest(x * _MDEG), nearest(y * _MDEG)) for x, y in operator.response))
        return Curve(points=tuple((nearest(x * FULL_E4), toward_zero(y * FULL_E4)) for x, y in operator.response))

    # -- limits ---------------------------------------------------------------------------------------------------

    def _pair(self, item: str, speeds: TwoWay) -> Pair:
        """Speeds down."""
        pair = (speeds.positive * _MDEG).__floor__(), (speeds.negative * _MDEG).__floor__()
        if min(pair) < 1:
            raise self._error(item, f"{min(pair)} mdeg/s after rounding down", "at least 0.001 deg/s each way")
        return pair

    def _step(self, item: str, change_deg_s2: Fraction) -> int:
        """Change of speed in a tick, down; never rounded up to 1, since that would be steeper than asked for."""
        step = (change_deg_s2 * _MDEG * self._tick_s).__floor__()
        if step < 1:
            least = Fraction(1, _MDEG) / self._tick_s
            raise self._error(
                item, f"{float(change_deg_s2)} deg/s2 is less than the table holds", f"at least {float(least)}"
            )
        return step

    def _soft_stops(self) -> Pair:
        """(upper, lower), inward."""
        stops = self._joint.limits.soft_stops_deg
        if stops is None:
            return _CONTINUOUS_STOPS
        return (stops.upper * _MDEG).__floor__(), (stops.lower * _MDEG).__ceil__()

    # -- drive ----------------------------------------------------------------------------------------------------

    def _flow(self) -> tuple[Curve, Curve]:
        try:
            return flow_curves(self._joint)
        except CurveError as error:
            raise self._error("drive", error.found, error.remedy) from error

    def _valve(self, direction: int) -> Curve:
        try:
            return valve_curve(self._joint, direction)
        except CurveError as error:
            side = "positive" if direction == POSITIVE else "negative"
            raise self._error(f"valve.{side}", error.found, error.remedy) from error


def _count_step(points: Sequence[tuple[int, int]]) -> int:
    """Largest change of a calibration curve from one count to the next, up."""
    return max(-(-abs(y1 - y0) // (x1 - x0)) for (x0, y0), (x1, y1) in pairwise(points))
