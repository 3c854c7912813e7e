"""No number of the law overflows: the largest magnitude of every product and sum, from the table's own numbers.

Interval arithmetic over whole numbers: every reading lies between the ends of its curve (rule L2 holds the ends), every
speed within what rules L6a and L7 leave, every filter's state within its largest input (its coefficient is at most 1).
Signed numbers of 32 and of 64 bits; counters that saturate at 65535 have to reach every limit that they are compared
with.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from mapper.check.context import judge
from mapper.check.finding import Evidence, Explanation, Finding, Given
from mapper.check.law.widest import widest_table
from mapper.table.table import FOLLOW, FULL_E4, Q16, CoupledStop, Curve, JointTable, Sensor, Table

_LIMIT = "integer_width"
_LONG, _WORD, _COUNTER = 63, 31, 16  # bits of magnitude
_HALF_TURN_MDEG = 180_000
_INT32_MOST = 2**31 - 1
_THOUSAND = 1000
_SLOPE = "slope"


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """The largest magnitude that one number of the law can have."""

    rule: str
    what: str
    magnitude: int
    bits_most: int  # that there are for it
    where: str = ""  # which joint or stop

    @property
    def bits(self) -> int:
        return self.magnitude.bit_length()

    @property
    def spare_bits(self) -> int:
        return self.bits_most - self.bits


def integer_width(table: Table, names: tuple[str, ...]) -> Finding:
    """Every quantity of this table; and told, how near the widest table that the controller accepts comes.

    Args:
        table: compiled.
        names: of the joints, in its order.
    """
    found = _largest(quantities(table, names))
    nearest = min(found, key=lambda one: one.spare_bits)
    over = [one for one in found if one.spare_bits < 0]
    most = _largest(one for one in quantities(widest_table(), ()) if one.what != _SLOPE)  # a steeper one is refused
    wide = min(most, key=lambda one: one.spare_bits)
    return judge(
        None,
        _LIMIT,
        evidence=Evidence.INTERVAL,
        cases=len(found),
        worst=nearest.bits,
        bound=nearest.bits_most,
        unit="bits",
        holds=not over,
        detail=f"{len(found)} products, sums and counters of rules L2 to L10, each the largest that this table's own "
        f"numbers make of it; nearest: {nearest.rule}, {nearest.what}{nearest.where}: {nearest.magnitude}, "
        f"{nearest.bits} of {nearest.bits_most} bits. In the widest table that the controller accepts: {wide.rule}, "
        f"{wide.what}, {wide.bits} of {wide.bits_most} bits"
        + "".join(f"; too wide: {one.rule}, {one.what}{one.where}: {one.magnitude}" for one in over),
        advice="compile the table again: numbers like these are outside what firmware_stub/README.md allows, and the "
        "controller refuses them",
        explanation=_explained(found),
    )


def _largest(all_of_them: Iterable[Quantity]) -> list[Quantity]:
    """One a rule and name: the largest of all joints."""
    best: dict[tuple[str, str], Quantity] = {}
    for one in all_of_them:
        key = (one.rule, one.what)
        if key not in best or one.magnitude > best[key].magnitude:
            best[key] = one
    return list(best.values())


def quantities(table: Table, names: tuple[str, ...]) -> Iterator[Quantity]:
    """All of them, joint after joint, then the machine's."""
    for index, joint in enumerate(table.joints):
        where = f" ({names[index]})" if index < len(names) else ""
        for rule, what, magnitude, bits in _joint(table, joint):
            yield Quantity(rule=rule, what=what, magnitude=magnitude, bits_most=bits, where=where)
    for rule, what, magnitude, bits in _machine(table):
        yield Quantity(rule=rule, what=what, magnitude=magnitude, bits_most=bits)


_Row = tuple[str, str, int, int]


def _joint(table: Table, joint: JointTable) -> Iterator[_Row]:
    yield from _curves(joint)
    yield from _demand(table, joint)
    yield from _motion(joint)
    position = _reading(joint.position, joint.continuous)
    yield "L3b, L3e", "difference of two readings", 2 * max(position, _reading(joint.operator)), _WORD
    yield "L9c, L9d", "way from an anchor", 2 * position, _WORD
    yield "L9c", "settle and still ticks together", joint.settle_ticks + joint.still_ticks, _COUNTER
    yield "L9d", "stall ticks", joint.stall_ticks, _COUNTER
    yield "L7b", "reversal ticks", joint.reversal_ticks, _COUNTER
    yield "L3d, L3e", "bad ticks", max(joint.operator.bad_ticks, joint.position.bad_ticks), _COUNTER


def _curves(joint: JointTable) -> Iterator[_Row]:
    curves = [track.curve for sensor in (joint.operator, joint.position) for track in sensor.tracks]
    for curve in (*curves, joint.response, *joint.brake, *joint.flow_per_speed_q16, *joint.valve):
        yield from _curve(curve)


def _curve(curve: Curve) -> Iterator[_Row]:
    for (x0, y0), (x1, y1) in zip(curve.points, curve.points[1:], strict=False):
        product, run = (y1 - y0) * Q16, x1 - x0
        slope = product // run if run > 0 else _INT32_MOST + 1  # no run: no slope fits
        yield "L2", "rise times 65536", abs(product), _LONG
        yield "L2", _SLOPE, abs(slope), _WORD
        yield "L2", "way along a segment times slope", abs(run * slope), _LONG


def _demand(table: Table, joint: JointTable) -> Iterator[_Row]:
    operator, hertz = _reading(joint.operator), table.machine.tick_hz
    yield "L4a", "reading times 65536", operator * Q16, _LONG
    yield "L4a", "filter times (reading - state)", joint.filter_q16 * 2 * operator * Q16, _LONG
    speeds = max(*joint.speed_full_mdeg_s, *joint.speed_reduced_mdeg_s)
    if joint.control != FOLLOW:
        scale = FULL_E4 * Q16 // max(1, FULL_E4 - joint.deadband)
        yield "L4c", "stretch of the lever past its rest", scale, _WORD
        yield "L4c", "lever times stretch", (FULL_E4 - joint.deadband) * scale, _LONG
        yield "L5b", "share times speed", _most(joint.response) * speeds, _WORD
        return
    target = min(_most(joint.response), _HALF_TURN_MDEG) if joint.continuous else _most(joint.response)
    step = _HALF_TURN_MDEG if joint.continuous else 2 * target
    error = target + _reading(joint.position, joint.continuous)
    yield "L2w", "difference of two angles", max(error, 2 * target), _WORD
    yield "L4b", "operator's speed", step * hertz, _WORD
    yield "L4b", "operator's speed times 65536", step * hertz * Q16, _LONG
    yield "L4b", "filter times (speed - state)", joint.speed_filter_q16 * 2 * step * hertz * Q16, _LONG
    yield "L5a", "gain times error", error * joint.gain_q16, _LONG
    yield "L5a", "share forward times operator's speed", step * hertz * joint.feed_q16, _LONG
    yield "L5a", "both together", min(_INT32_MOST, error * joint.gain_q16 // Q16) + speeds, _LONG


def _motion(joint: JointTable) -> Iterator[_Row]:
    speeds = max(*joint.speed_full_mdeg_s, *joint.speed_reduced_mdeg_s)
    flow = max(_most(curve) for curve in joint.flow_per_speed_q16)
    if not joint.continuous:
        room = max(abs(stop) for stop in joint.soft_stop_mdeg) + _reading(joint.position)
        yield "L6b, L7c", "room to a soft stop", room, _WORD
    yield "L6d, L6e", "speed times a share", speeds * Q16, _LONG
    yield "L6e, L7d", "speed times flow per speed", speeds * flow, _LONG
    yield "L7a", "speed and its change", speeds + max(_steps(joint)), _WORD
    yield "L7d", "largest flow times 65536", max(joint.flow_max_e4) * Q16, _LONG
    yield "L8", "drive", max(joint.drive_max_e4, *(_most(curve) for curve in joint.valve)), _WORD


def _steps(joint: JointTable) -> tuple[int, ...]:
    return joint.accelerate_mdeg_s, joint.decelerate_mdeg_s, joint.stop_mdeg_s


def _machine(table: Table) -> Iterator[_Row]:
    machine, joints = table.machine, table.joints
    needs = sum(_need_e4(joint) * joint.flow_full_ml_min for joint in joints)
    supply = machine.pump_ml_min * FULL_E4
    yield "L6e", "flow that all joints need", needs, _LONG
    yield "L6e", "supply times 65536", supply * Q16, _LONG
    yield "L6f, L7g", "tip speed of all joints", sum(max(one.speed_full_mdeg_s) * one.reach_mm for one in joints), _LONG
    yield "L6f", "tip limit times 65536", machine.tip_mdeg_mm_s * Q16, _LONG
    for stop in table.coupled:
        yield from _coupled(table, stop)
    yield "L9a", "longest tick", machine.tick_us + machine.late_us, _WORD
    yield "L10p", "authority and its step", Q16 + machine.authority_step_q16, _WORD
    for rule, what, ticks in (
        ("L3f", "ticks of good samples", machine.power_up_ticks),
        ("L10b", "discrepancy ticks", machine.discrepancy_ticks),
        ("L10c", "longest press, and one more", machine.reset_max_ticks + 1),
        ("L10i", "deadline of stopping", max(machine.stop_ticks, machine.release_ticks)),
        ("L10o", "pump load and match ticks", max(machine.load_ticks, machine.match_ticks)),
    ):
        yield rule, what, ticks, _COUNTER


def _need_e4(joint: JointTable) -> int:
    flow = max(_most(curve) for curve in joint.flow_per_speed_q16)
    return min(_INT32_MOST, -(-max(joint.speed_full_mdeg_s) * flow // Q16))


def _coupled(table: Table, stop: CoupledStop) -> Iterator[_Row]:
    pairs = [(table.joints[index], abs(weight)) for index, weight in zip(stop.joints, stop.weights_e3, strict=True)]
    room_e3 = abs(stop.limit_mdeg) * _THOUSAND + sum(weight * _reading(joint.position) for joint, weight in pairs)
    speeds = [weight * max(joint.speed_full_mdeg_s) for joint, weight in pairs]
    yield from _curve(stop.brake)
    yield "L6c, L7f", "room in thousandths", room_e3, _LONG
    yield "L6c, L7f", "room", room_e3 // _THOUSAND, _WORD
    yield "L6c, L7f", "closing speed of both joints", sum(speeds), _LONG
    yield "L6c, L7f", "cap times 1000 times 65536", _most(stop.brake) * _THOUSAND * Q16, _LONG


def _most(curve: Curve) -> int:
    return max(abs(y) for _, y in curve.points)


def _reading(sensor: Sensor, wraps: bool = False) -> int:
    most = max(_most(track.curve) for track in sensor.tracks)
    return min(most, _HALF_TURN_MDEG) if wraps else most


def _explained(found: list[Quantity]) -> Explanation:
    return Explanation(
        formula=("|number| < 2^63, < 2^31, or <= 65535 for a counter, in every tick",),
        given=tuple(
            Given(
                symbol=one.rule,
                meaning=f"{one.what}{one.where}: {one.bits} of {one.bits_most} bits",
                value=str(one.magnitude),
                unit="",
            )
            for one in found
        ),
        source="rules of firmware_stub/core/law.h, the law's own widths; intervals of whole numbers, derived in "
        "mapper/check/law/width.py",
    )
