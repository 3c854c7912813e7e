"""Values of the table that no other limit looks at: each is what the profile says, rounded the way that is safe.

Worked out from the profile here, not taken from the compiler: a table that some other hand or a defect has changed is
seen. The reaches and the tip limit are the exception: they are the compiler's formulas again, whose truth the limit
tip_speed examines. The curves of sensors and response are read through the compiled law at every point of their domain.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from mapper.check.context import MDEG, JointContext, count_step, judge
from mapper.check.finding import Evidence, Finding
from mapper.profile.profile import ElectricDrive, Profile, TwoWay
from mapper.profile.profile import Sensor as ProfileSensor
from mapper.table.compile_tip import tip_limit
from mapper.table.table import FOLLOW, FULL_E4, Q16, CoupledStop, MachineTable, Pair, Sensor, Table

_ML_MIN_PER_M3_S = 60_000_000
_FILTER_SLACK = 1e-3  # of 1/65536, for floats
_Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Value:
    """One number of the table and the numbers that it may be."""

    item: str
    found: int
    least: int
    most: int

    @property
    def wrong(self) -> bool:
        return not self.least <= self.found <= self.most


def _exactly(item: str, found: int, wanted: int) -> _Value:
    return _Value(item=item, found=found, least=wanted, most=wanted)


def _down(item: str, found: int, wanted: Fraction, least: int = 0) -> _Value:
    """Rounded down, but at least `least`."""
    return _exactly(item, found, max(least, math.floor(wanted)))


def _up(item: str, found: int, wanted: Fraction, least: int = 0) -> _Value:
    return _exactly(item, found, max(least, math.ceil(wanted)))


def _near(item: str, found: int, wanted: Fraction | float, slack: float = 0.0) -> _Value:
    """To the nearest, either way at a half."""
    low, high = float(wanted) - 0.5 - slack, float(wanted) + 0.5 + slack
    return _Value(item=item, found=found, least=math.ceil(low), most=math.floor(high))


def joint_as_written(context: JointContext) -> Finding:
    """Calibration, response and every setting of a joint that the other limits do not compare with the profile."""
    values = [*_joint_values(context), *_sensor_values(context)]
    cases, faults = _curves(context)
    return _judged(context, values, cases, faults)


def machine_as_written(profile: Profile, table: Table) -> Finding:
    """Every timer of the machine, the pump's flow, what limits tip speed, and each coupled stop's joints, weights and
    limit (its braking curve is examined by the limit coupled_stops).
    """
    values = [*_machine_values(profile, table.machine), *_tip_values(profile, table)]
    return _judged(None, values, 0, _coupled_faults(profile, table.coupled))


def _tip_values(profile: Profile, table: Table) -> Iterator[_Value]:
    """The tip limit rests on all joints, and each reach on all that the joint carries."""
    tip = tip_limit(profile)
    yield _exactly("limits.tip_speed, summed over the joints", table.machine.tip_mdeg_mm_s, tip.tip_mdeg_mm_s)
    for joint, own, reach_mm in zip(profile.joints, table.joints, tip.reach_mm, strict=True):
        yield _exactly(f"joints.{joint.name}, reach for tip speed", own.reach_mm, reach_mm)


def _coupled_faults(profile: Profile, coupled: tuple[CoupledStop, ...]) -> list[str]:
    numbers = {joint.name: number for number, joint in enumerate(profile.joints)}
    wanted: dict[tuple[int, ...], str] = {}
    for stop in profile.coupled_stops:
        # A lower stop is an upper one of the sum with its sign turned round; inward is down for both.
        for side, pair, sign in (("upper", stop.upper, 1), ("lower", stop.lower, -1)):
            if pair is not None:
                weights = [int(sign * weight * 1000) for weight in stop.weights]
                key = (*(numbers[name] for name in stop.joints), *weights, math.floor(sign * pair.soft_deg * MDEG))
                wanted[key] = f"{stop.name}.{side}"
    found = [(*stop.joints, *stop.weights_e3, stop.limit_mdeg) for stop in coupled]
    missing = [f"coupled_stops.{name} is not in the table" for key, name in wanted.items() if key not in found]
    return missing + [
        f"coupled stop {key} of the table (joints, weights in thousandths, limit in mdeg) is not the profile's"
        for key in found
        if key not in wanted
    ]


def _judged(context: JointContext | None, values: list[_Value], cases: int, faults: list[str]) -> Finding:
    faults = faults + [
        f"{value.item} is {value.found}, the profile's is "
        + (f"{value.least}" if value.least == value.most else f"{value.least} to {value.most}")
        for value in values
        if value.wrong
    ]
    curves = (
        f"calibration and response at each of {cases} points of their domain through the law, and " if cases else ""
    )
    return judge(
        context,
        "as_written",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases + len(values),
        worst=len(faults),
        bound=0,
        unit="values",
        margin=False,
        detail=f"{curves}{len(values)} single values against the profile, each rounded to its safe side"
        + "".join(f"; {fault}" for fault in faults),
        advice="compile the table again: it is not what the profile says",
    )


def _pair(item: str, found: Pair, wanted: TwoWay) -> Iterator[_Value]:
    yield _down(f"{item}.positive", found[0], wanted.positive * MDEG)
    yield _down(f"{item}.negative", found[1], wanted.negative * MDEG)


def _joint_values(context: JointContext) -> Iterator[_Value]:
    table, joint, tick_s = context.table, context.joint, context.profile.controller.tick_s
    limits, watch, valve = joint.limits, joint.watch, joint.valve
    yield from _pair("speed", table.speed_full_mdeg_s, limits.speed_deg_s)
    yield from _pair("reduced_speed", table.speed_reduced_mdeg_s, limits.reduced_speed_deg_s)
    yield _down("acceleration", table.accelerate_mdeg_s, limits.acceleration_deg_s2 * MDEG * tick_s)
    yield _down("deceleration", table.decelerate_mdeg_s, limits.deceleration_deg_s2 * MDEG * tick_s)
    yield _down("stop_deceleration", table.stop_mdeg_s, limits.stop_deceleration_deg_s2 * MDEG * tick_s)
    if limits.soft_stops_deg is not None:
        yield _down("soft_stops.upper", table.soft_stop_mdeg[0], limits.soft_stops_deg.upper * MDEG, least=-(10**9))
        yield _up("soft_stops.lower", table.soft_stop_mdeg[1], limits.soft_stops_deg.lower * MDEG, least=-(10**9))
    yield _exactly("travel", int(table.continuous), int(joint.continuous))
    rated = Fraction(1, _ML_MIN_PER_M3_S) if isinstance(joint.drive, ElectricDrive) else valve.rated_flow_m3_s
    yield _up("rated_flow", table.flow_full_ml_min, rated * _ML_MIN_PER_M3_S, least=1)
    yield _up("reversal_hold", table.reversal_ticks, valve.reversal_hold_s / tick_s, least=1)
    yield _down("watch.settle", table.settle_ticks, watch.settle_s / tick_s, least=1)
    yield _up("watch.still_time", table.still_ticks, watch.still_s / tick_s, least=1)
    yield _down("watch.still_angle", table.still_mdeg, watch.still_deg * MDEG)
    yield _down("watch.stall_flow", table.stall_flow_e4, watch.stall_flow * FULL_E4, least=1)
    yield _down("watch.stall_time", table.stall_ticks, watch.stall_s / tick_s, least=1)
    yield _up("watch.stall_angle", table.stall_mdeg, watch.stall_deg * MDEG, least=1)
    for name, found, corner_hz in (
        ("filter", table.filter_q16, joint.operator.filter_hz),
        ("speed_filter", table.speed_filter_q16, joint.operator.speed_filter_hz),
    ):
        share = 1.0 - math.exp(-2.0 * math.pi * float(corner_hz * tick_s))
        yield _near(f"operator.{name}", found, max(1.0, share * Q16), _FILTER_SLACK)
    follow = joint.follow
    yield _exactly("control", table.control, table.control if (follow is not None) == (table.control == FOLLOW) else -1)
    if follow is None:
        yield _up("operator.deadband", table.deadband, joint.operator.deadband_share * FULL_E4)
        return
    yield _near("follow.gain", table.gain_q16, follow.gain_per_s * Q16)
    yield _near("follow.feed_forward", table.feed_q16, follow.feed_forward * Q16)
    yield _up("follow.error_deadband", table.deadband, follow.error_deadband_deg * MDEG)
    yield _up("follow.speed_deadband", table.speed_deadband_mdeg_s, follow.speed_deadband_deg_s * MDEG)
    yield _down("follow.match_window", table.match_window_mdeg, follow.match_window_deg * MDEG)
    yield _down("follow.gap", table.gap_mdeg, Fraction(0) if follow.gap_deg is None else follow.gap_deg * MDEG)


def _sensors(context: JointContext) -> tuple[tuple[str, Sensor, ProfileSensor, int, int], ...]:
    """Name, compiled, as in the profile, number of the first curve, and the table's units in one of the profile's."""
    scale = MDEG if context.joint.follow is not None else FULL_E4
    return (
        ("operator", context.table.operator, context.joint.operator.sensor, 0, scale),
        ("position", context.table.position, context.joint.position, 2, MDEG),
    )


def _sensor_values(context: JointContext) -> Iterator[_Value]:
    tick_s = context.profile.controller.tick_s
    for name, table, own, _, scale in _sensors(context):
        yield _down(f"{name}.fault_time", table.bad_ticks, own.fault_time_s / tick_s, least=1)
        if own.disagreement is not None:
            yield _down(f"{name}.disagreement", table.disagreement, own.disagreement * scale, least=1)
        step = math.ceil(own.rate_max * tick_s * scale) + math.ceil(own.error_deg * scale)
        step += math.ceil(count_step(own, scale))
        # The compiler's count step is that of the rounded points.
        yield _Value(item=f"{name}.rate_max", found=table.step_max, least=step - 1, most=step + 1)
        yield _exactly(f"{name}.tracks", len(table.tracks), len(own.tracks))
        for number, (track, wanted) in enumerate(zip(table.tracks, own.tracks, strict=False)):
            place = f"{name}.tracks[{number}]"
            yield _exactly(f"{place}.input", track.input, wanted.input_index)
            yield _exactly(f"{place}.window.lower", track.count_min, wanted.count_min)
            yield _exactly(f"{place}.window.upper", track.count_max, wanted.count_max)


def _curves(context: JointContext) -> tuple[int, list[str]]:
    """Points tried, and curves that leave the profile's straight lines by more than rounding can."""
    cases, faults = 0, []
    counts = np.arange(context.profile.controller.count_max + 1, dtype=np.int32)
    for name, table, own, first, scale in _sensors(context):
        for number in range(min(len(table.tracks), len(own.tracks))):
            points = [(float(count), float(value * scale)) for count, value in sorted(own.tracks[number].points)]
            cases += counts.size
            faults += _off(context, first + number, counts, points, 0.0, f"{name}.tracks[{number}].points")
    x_scale = MDEG if context.joint.follow is not None else FULL_E4
    points = [(float(x * x_scale), float(y * x_scale)) for x, y in sorted(context.joint.operator.response)]
    domain = np.arange(math.floor(points[0][0]), math.ceil(points[-1][0]) + 1, dtype=np.int32)
    cases += domain.size
    return cases, faults + _off(context, 4, domain, points, 0.5, "operator.response")


def _off(context: JointContext, number: int, domain: np.ndarray, points: _Points, x_off: float, name: str) -> list[str]:
    """Rounding: of a point's value (up to 1, toward zero) and place, of the slope (1/65536 over a segment), of the
    result.
    """
    x, y = np.array(points).T
    steepest = float(np.max(np.abs(np.diff(y) / np.diff(x))))
    allowed = 2.0 + x_off * steepest + float(np.max(np.diff(x))) / Q16 + 1e-6
    off = np.abs(context.live.curve(context.index, number, domain) - np.interp(domain, x, y))
    at = int(np.argmax(off))
    if off[at] <= allowed:
        return []
    return [f"{name} is {off[at]:g} from the profile's line at {int(domain[at])}, rounding explains {allowed:.1f}"]


def _machine_values(profile: Profile, machine: MachineTable) -> Iterator[_Value]:
    tick_s, stop, start = profile.controller.tick_s, profile.emergency_stop, profile.start
    yield _exactly("controller.tick", machine.tick_us, int(tick_s * 1_000_000))
    yield _exactly("controller.tick, as a frequency", machine.tick_hz, int(1 / tick_s))
    yield _down("controller.late_allowance", machine.late_us, profile.controller.late_s * 1_000_000)
    yield _down("supply.flow", machine.pump_ml_min, profile.supply.flow_m3_s * _ML_MIN_PER_M3_S)
    yield _up("start.sensors_good", machine.power_up_ticks, start.sensors_good_s / tick_s, least=3)
    yield _up("start.pump_load", machine.load_ticks, start.pump_load_s / tick_s)
    yield _up("start.match_hold", machine.match_ticks, start.match_hold_s / tick_s, least=1)
    ramp_ticks = max(Fraction(1), start.authority_ramp_s / tick_s)
    yield _down("start.authority_ramp", machine.authority_step_q16, Q16 / ramp_ticks, least=1)
    yield _down("emergency_stop.discrepancy_time", machine.discrepancy_ticks, stop.discrepancy_s / tick_s, least=1)
    yield _up("emergency_stop.reset_press.shortest", machine.reset_min_ticks, stop.reset_min_s / tick_s, least=1)
    yield _down("emergency_stop.reset_press.longest", machine.reset_max_ticks, stop.reset_max_s / tick_s)
    yield _exactly("emergency_stop.category", machine.stop_category, stop.category)
    late_tick_s = tick_s + profile.controller.late_s
    relay_ticks = Fraction(3) if stop.delayed_off_relay_s is None else stop.delayed_off_relay_s / late_tick_s
    yield _down("emergency_stop.delayed_off_relay, every tick late, less 3", machine.stop_ticks, relay_ticks - 3)
    release_ticks = stop.release_deadline_s / late_tick_s
    yield _down("emergency_stop.release_deadline, every tick late, less 3", machine.release_ticks, release_ticks - 3)
