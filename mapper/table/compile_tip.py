"""Tip speed in the reduced mode: how far points reach from each joint's axis, and what the joints may add up to.

Exact rationals. What is shown to hold: in the reduced mode the real speed of joint i is at most gain_i (|w_i| +
creep_i), w_i its command, and any point that it moves is at most far_i from its axis. The speeds that the joints give
to one point add up to at most their sum, so that the law's limit on sum |w_i| reach_i, with reach_i = gain_i far_i,
keeps the farthest point of arm and load below the limit in every pose.

Geometry: as in mapper/machine/arm/chain.py. A straight run of joints is one whose x axes stay in line: a joint and the
roll and grip joints that follow. Between runs the triangle inequality holds whatever the angles.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from mapper.machine.model import NEGATIVE, POSITIVE, joint_gain_spread
from mapper.profile.profile import Joint, Load, Profile
from mapper.table.compile_brake import late_of_s
from mapper.table.compile_drive import flow_curves, valve_curve
from mapper.table.exact import ERROR, pi, root
from mapper.table.table import FULL_E4, Q16, Curve

_MDEG = 1000
_MM = 1000
_REACH_MAX_MM = 65_535
_TIP_MAX = 2_000_000_000
_VERTICAL, _PITCH, _ROLL, _GRIP = "vertical", "pitch", "roll", "grip"
_MISREAD_GUESS = Fraction(9, 8)

TIP_SPEED_M_S = Fraction(1, 4)
"""Where no joint states a limit: 250 mm/s, reduced speed (ISO 10218-1:2011, 5.6.2, from memory)."""


class TipError(Exception):
    """The limit of tip speed cannot be kept; `found` and `remedy` say it in the profile's words."""

    def __init__(self, joint: str | None, item: str, found: str, remedy: str) -> None:
        super().__init__(f"{found}; {remedy}")
        self.joint = joint
        self.item = item
        self.found = found
        self.remedy = remedy


@dataclass(frozen=True, slots=True, kw_only=True)
class TipLimit:
    """What the table says of tip speed. Tuples: one value a joint, in the profile's order."""

    limit_mm_s: Fraction
    reach_mm: tuple[int, ...]
    creep_mdeg_s: tuple[Fraction, ...]
    tip_mdeg_mm_s: int  # 0: no reach is known, nothing is limited


def tip_limit(profile: Profile) -> TipLimit:
    """The machine's limit and reaches, for the table.

    Raises:
        TipError: what the valves may add by themselves uses the whole limit up, or a reach is beyond the table.
    """
    joints = profile.joints
    stated = [joint.limits.tip_speed_m_s for joint in joints if joint.limits.tip_speed_m_s is not None]
    limit_mm_s = min(stated, default=TIP_SPEED_M_S) * _MM
    reach_mm = tuple(reach_of_mm(profile, index) for index in range(len(joints)))
    creep = tuple(creep_mdeg_s(joint) for joint in joints)
    if not any(reach_mm):
        return TipLimit(limit_mm_s=limit_mm_s, reach_mm=reach_mm, creep_mdeg_s=creep, tip_mdeg_mm_s=0)
    whole = limit_mm_s * 180 * _MDEG / (pi() + ERROR)
    tip = (whole - sum(reach * slow for reach, slow in zip(reach_mm, creep, strict=True))).__floor__()
    if tip < 1:
        _used_up(profile, limit_mm_s, reach_mm, creep)
    if tip > _TIP_MAX:
        most = float(Fraction(_TIP_MAX, 180 * _MDEG) * pi())
        raise TipError(None, "tip_mdeg_mm_s", f"a tip speed of {float(limit_mm_s):g} mm/s", f"at most {most:g} mm/s")
    return TipLimit(limit_mm_s=limit_mm_s, reach_mm=reach_mm, creep_mdeg_s=creep, tip_mdeg_mm_s=tip)


def _used_up(profile: Profile, limit_mm_s: Fraction, reach_mm: tuple[int, ...], creep: tuple[Fraction, ...]) -> None:
    parts_mm_s = [float(reach * slow * pi() / (180 * _MDEG)) for reach, slow in zip(reach_mm, creep, strict=True)]
    worst = max(range(len(parts_mm_s)), key=parts_mm_s.__getitem__)
    joint = profile.joints[worst]
    raise TipError(
        joint.name,
        "limits.tip_speed",
        f"at the smallest command the valves may by themselves move the tip at {sum(parts_mm_s):.0f} mm/s, and the "
        f"limit of the machine is {float(limit_mm_s):g} mm/s; most of it, {parts_mm_s[worst]:.0f} mm/s, is the flow "
        f"that {joint.name} passes when its drive jumps over the deadband",
        f"a lower valve.positive.jump and valve.negative.jump of joints.{joint.name} (crack less half the hysteresis, "
        "or less crack - crack_min where that is more, leaves nothing), a valve with less hysteresis, or a higher "
        "limits.tip_speed where the risk assessment allows it",
    )


def reach_of_mm(profile: Profile, index: int) -> int:
    """The joint's reach in the table: its farthest point in mm, times `tip_gain`; up. 0 where no reach is known.

    Raises:
        TipError: more than the table holds.
    """
    joint = profile.joints[index]
    if not reach_known(profile):
        return 0
    reach = (far_m(profile, index) * tip_gain(profile, joint) * _MM).__ceil__()
    if reach > _REACH_MAX_MM:
        raise TipError(
            joint.name, "body", f"reaches {reach} mm, each millimetre counted as often as the joint may be too fast",
            f"at most {_REACH_MAX_MM} mm: correct the lengths of bodies and loads",
        )  # fmt: skip
    return reach


# -- reach ----------------------------------------------------------------------------------------------------------


def reach_known(profile: Profile) -> bool:
    """False where a pitch joint has no body, so that nobody knows where the joints and loads beyond it are."""
    return all(joint.body is not None or joint.axis != _PITCH for joint in profile.joints)


def far_m(profile: Profile, index: int) -> Fraction:
    """Upper bound in m of the distance from the joint's axis of any point that the joint moves, in any pose.

    Bodies count with their radius, loads with theirs; a radius that is not stated counts as 0. A grip moves its own
    jaws only.
    """
    joints = profile.joints
    own = joints[index]
    if own.axis == _GRIP:
        return _body_far_m(joints, index, index)
    bodies = [_body_far_m(joints, index, other) for other in range(index, len(joints))]
    return max([*bodies, *(_load_far_m(joints, index, load) for load in profile.loads)])


def _body_far_m(joints: tuple[Joint, ...], index: int, other: int) -> Fraction:
    """Of the farthest point of the body of joint `other` from the axis of joint `index`.

    A body lies within its radius of the line between two pivots, and the end of that line that is farther decides.
    """
    body = joints[other].body
    if body is None:
        return Fraction(0)
    start = _run_start(joints, index, other)
    along = _along_m(joints, start, other)
    length = max(body.length_m, body.centre_m) if body.radius_m is None else body.length_m
    ends = (along, range(start, other)), (along + length, range(start, other + 1))
    far = max(_run_far_m(joints, (index, start), end, risen, Fraction(0)) for end, risen in ends)
    return _runs_before_m(joints, index, start) + far + (body.radius_m or 0)


def _load_far_m(joints: tuple[Joint, ...], index: int, load: Load) -> Fraction:
    """The load's centre lies at `centre` along x from the pivot of the last pitch joint (INV-CHAIN-3)."""
    moving = [number for number, joint in enumerate(joints) if joint.axis != _GRIP]
    holder = next((number for number in reversed(moving) if joints[number].axis == _PITCH), moving[0])
    start = _run_start(joints, index, moving[-1])
    along = load.centre_m + _along_m(joints, start, holder) - _along_m(joints, holder, start)
    # On the line through the last joint's pivot, up to which the rises count.
    far = _run_far_m(joints, (index, start), along, range(start, len(joints) - 1), load.offset_m)
    return _runs_before_m(joints, index, start) + far + (load.radius_m or 0)


def _run_start(joints: tuple[Joint, ...], index: int, last: int) -> int:
    """First joint of the straight run that `last` is in, not before `index`."""
    start = last
    while start > index and joints[start].axis in (_ROLL, _GRIP):
        start -= 1
    return start


def _along_m(joints: tuple[Joint, ...], start: int, end: int) -> Fraction:
    """From the pivot of joint `start` to that of joint `end`, along the x that they share."""
    return sum((joint.body.length_m for joint in joints[start:end] if joint.body is not None), Fraction(0))


def _run_far_m(
    joints: tuple[Joint, ...], places: tuple[int, int], along: Fraction, risen: range, beside: Fraction
) -> Fraction:
    """From the pivot of a run's first joint, or from the axis of joint `index` where that is the first.

    Args:
        places: `index`, and the first joint of the run.
        along: of the point from the pivot of the run's first joint, along x.
        risen: the joints whose rise lies between; each may have been turned to any side.
        beside: further away from x.
    """
    index, start = places
    axis = joints[index].axis if start == index else ""
    rises = {number: abs(body.rise_m) for number in risen if (body := joints[number].body) is not None}
    if axis == _VERTICAL:
        rises.pop(index, None)  # along the axis
    across = sum(rises.values(), beside)
    return across if axis == _ROLL else _hypotenuse(along, across)


def _runs_before_m(joints: tuple[Joint, ...], index: int, start: int) -> Fraction:
    """Sum over the straight runs from joint `index` to the pivot of joint `start`."""
    total, first = Fraction(0), index
    while first < start:
        after = first + 1
        while after < start and joints[after].axis in (_ROLL, _GRIP):
            after += 1
        along = _along_m(joints, first, after)
        total += _run_far_m(joints, (index, first), along, range(first, after), Fraction(0))
        first = after
    return total


def _hypotenuse(along: Fraction, across: Fraction) -> Fraction:
    """Never below the true one."""
    return root(along**2 + across**2) + ERROR if across else abs(along)


# -- what the joint makes of its command ----------------------------------------------------------------------------


def tip_gain(profile: Profile, joint: Joint) -> Fraction:
    """Largest real speed over the asked one in the reduced mode, what `creep_mdeg_s` adds apart.

    The product of the gain spread for any load; how much more flow hysteresis and crack spread make of an asked flow;
    and how much more flow the law asks for at a reading that is off or late than the true pose needs.
    """
    gains = []
    flows = flow_curves(joint)
    for side in (POSITIVE, NEGATIVE):
        spread = joint_gain_spread(profile, joint, side)[1]
        slope, residual_e4 = _real_flow(joint, side, _asked_flow_e4(joint, side, flows[side]))
        steady = spread * (_reduced_mdeg_s(joint, side) * slope + _creep_mdeg_s(flows[side], residual_e4))
        gains.append(spread * slope * _misread(profile, joint, flows[side], steady))
    return max(gains)


def creep_mdeg_s(joint: Joint) -> Fraction:
    """Speed in mdeg/s, seen from the command, that the valve may add to the smallest command: what passes when the
    drive jumps over the deadband and the spool is as far open as hysteresis or crack spread leave it.
    """
    creeps = []
    flows = flow_curves(joint)
    for side in (POSITIVE, NEGATIVE):
        _, residual_e4 = _real_flow(joint, side, _asked_flow_e4(joint, side, flows[side]))
        creeps.append(_creep_mdeg_s(flows[side], residual_e4))
    return max(creeps)


def _creep_mdeg_s(flow: Curve, residual_e4: Fraction) -> Fraction:
    """At the pose where a flow is worth most speed."""
    return residual_e4 * Q16 / min(y for _, y in flow.points)


def _reduced_mdeg_s(joint: Joint, side: int) -> Fraction:
    speeds = joint.limits.reduced_speed_deg_s
    return (speeds.positive if side == POSITIVE else speeds.negative) * _MDEG


def _asked_flow_e4(joint: Joint, side: int, flow: Curve) -> Fraction:
    """Most flow that the reduced speed asks for."""
    return min(Fraction(FULL_E4), _reduced_mdeg_s(joint, side) * max(y for _, y in flow.points) / Q16)


def _real_flow(joint: Joint, side: int, most_e4: Fraction) -> tuple[Fraction, Fraction]:
    """(slope, residual): the real flow is at most slope x asked flow + residual (1/10000), up to `most_e4` asked for.

    The measured curve, shifted to the left by half the hysteresis or by the crack spread, whichever is more, at the
    drive that the compiled curve gives. Both are straight between their points, so between two breaks (flow -
    residual) / asked moves one way and the breaks decide.
    """
    own = joint.valve.positive if side == POSITIVE else joint.valve.negative
    left = max(joint.tolerances.hysteresis / 2, own.crack - own.crack_min) * FULL_E4
    measured = [(drive * FULL_E4, flow * FULL_E4) for drive, flow in own.points]
    asked = [(Fraction(x), Fraction(y)) for x, y in valve_curve(joint, side).points]
    turned = [(drive, flow) for flow, drive in asked]
    breaks = {Fraction(0), most_e4, *(x for x, _ in asked if x < most_e4)}
    for drive, _ in measured:
        if turned[0][0] < drive - left < turned[-1][0]:
            breaks.add(_first_flow(turned, drive - left))
    real = {x: _at(measured, _at(asked, x) + left) for x in breaks if x <= most_e4}
    residual = real[Fraction(0)]
    return max((flow - residual) / x for x, flow in real.items() if x > 0), residual


def _first_flow(turned: list[tuple[Fraction, Fraction]], drive: Fraction) -> Fraction:
    """Asked flow at which the compiled curve reaches a drive; turned: drive, flow, never falling."""
    return next(
        y0 + (y1 - y0) * (drive - x0) / (x1 - x0) for (x0, y0), (x1, y1) in pairwise(turned) if x0 <= drive <= x1 > x0
    )


def _at(points: list[tuple[Fraction, Fraction]], x: Fraction) -> Fraction:
    """Straight lines between the points; held before the first, on with the last slope after the last."""
    if x <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if x <= x1 or (x1, y1) == points[-1]:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return points[-1][1]


def _misread(profile: Profile, joint: Joint, flow: Curve, steady_mdeg_s: Fraction) -> Fraction:
    """Most by which the compiled flow per speed at a reading is above that at the true position.

    steady_mdeg_s: the joint's fastest, this factor apart. A late reading is off by the more the faster the joint is,
    so a guess of the factor is raised until it covers what it leads to; it ends, since the curve's own span bounds it.
    """
    if len({y for _, y in flow.points}) == 1:
        return Fraction(1)
    guess = _MISREAD_GUESS
    while True:
        way = late_of_s(profile, joint) * steady_mdeg_s * guess
        found = _most_ratio(flow, (_off_mdeg(profile, joint) + way).__ceil__())
        if found <= guess:
            return found
        guess = found * _MISREAD_GUESS


def _off_mdeg(profile: Profile, joint: Joint) -> Fraction:
    """Error of the reading, with one count of noise, and a mdeg for rounding."""
    coarsest = max(
        abs(y1 - y0) * _MDEG / (x1 - x0)
        for track in joint.position.tracks
        for (x0, y0), (x1, y1) in pairwise(sorted(track.points))
    )
    return joint.position.error_deg * _MDEG + coarsest + 1


def _most_ratio(curve: Curve, off: int) -> Fraction:
    """Largest curve(r) / curve(q) with |r - q| <= off: where one of the two is at a point of the curve."""
    places = [x for x, _ in curve.points]
    pairs = [(r, q) for r in places for q in places if abs(r - q) <= off]
    for x in places:
        for shifted in (x - off, x + off):
            pairs += [(x, shifted), (shifted, x)]
    values = {x: _held(curve, x) for pair in pairs for x in pair}
    return max(values[r] / values[q] for r, q in pairs)


def _held(curve: Curve, x: int) -> Fraction:
    """As the law reads a curve, before it rounds: both ends held."""
    inside = min(max(x, curve.points[0][0]), curve.points[-1][0])
    (x0, y0), (x1, y1) = next((low, high) for low, high in pairwise(curve.points) if inside <= high[0])
    return y0 + Fraction((y1 - y0) * (inside - x0), x1 - x0)
