"""From asked speed to drive: the brake, flow and valve curves of a joint. Exact rationals in, integers out."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from fractions import Fraction

from mapper.machine.actuator.electric import STAND_IN_FLOW_M3_S
from mapper.machine.model import NEGATIVE, POSITIVE
from mapper.profile.profile import CylinderDrive, ElectricDrive, Joint, MotorDrive, Profile
from mapper.table.exact import ERROR, pi, root, sine_cosine
from mapper.table.table import CURVE_POINTS_MAX, FULL_E4, Q16, Curve

_MDEG = 1000
_TURN_MDEG = 360 * _MDEG
_HALF_TURN_MDEG = 180 * _MDEG
_ML_MIN_PER_M3_S = 60_000_000

FLOW_SEGMENTS_MAX = 8
FLOW_DEFICIT_MAX = Fraction(1, 200)
"""With fewer nodes the joint would be slower than asked for by more than this share somewhere."""
_FLOW_GRID = 120  # intervals over the travel, at whose ends chords are compared with the true curve


class CurveError(Exception):
    """A curve does not fit the table; `found` and `remedy` say it in the profile's words."""

    def __init__(self, found: str, remedy: str) -> None:
        super().__init__(f"{found}; {remedy}")
        self.found = found
        self.remedy = remedy


# -- flow for speed -----------------------------------------------------------------------------------------------


def flow_full_ml_min(joint: Joint) -> int:
    """What flow 10000 is, in ml/min: the valve's rated flow, up (asks the pump for more)."""
    flow = STAND_IN_FLOW_M3_S if isinstance(joint.drive, ElectricDrive) else joint.valve.rated_flow_m3_s
    return max(1, (flow * _ML_MIN_PER_M3_S).__ceil__())


def flow_max_e4(profile: Profile, joint: Joint, direction: int) -> int:
    """Largest flow that is asked for: what the valve's curve reaches, and what the pump gives it alone; down."""
    side = joint.valve.positive if direction == POSITIVE else joint.valve.negative
    share = min(Fraction(1), side.points[-1][1])
    if not isinstance(joint.drive, ElectricDrive):
        share = min(share, profile.supply.flow_m3_s / joint.valve.rated_flow_m3_s)
    return (share * FULL_E4).__floor__()


def flow_curves(joint: Joint) -> tuple[Curve, Curve]:
    """Position (mdeg) -> valve flow (e4) for one mdeg/s, times 65536, for both directions over the same positions.

    Never above the true curve at any position, so that the joint is never faster than asked for at rated gain.

    Raises:
        CurveError: the lever arm vanishes within the travel, or so little flow is needed that the table cannot say
        it.
    """
    drive = joint.drive
    if isinstance(drive, CylinderDrive):
        return _cylinder_flow(drive, *_travel_mdeg(joint), joint.valve.rated_flow_m3_s)
    if isinstance(drive, MotorDrive):
        per_mdeg = drive.displacement_m3_rev * drive.gear_ratio / (_TURN_MDEG * drive.volumetric_efficiency)
        value = (per_mdeg / joint.valve.rated_flow_m3_s * FULL_E4 * Q16).__floor__()
    else:
        value = (Fraction(FULL_E4 * Q16) / (drive.speed_deg_s * _MDEG)).__floor__()
    if value < 1:
        raise CurveError("full flow would turn the joint faster than the table can say", "check displacement and gear")
    lower, upper = _travel_mdeg(joint)
    curve = Curve(points=((lower, value), (upper, value)))
    return curve, curve


def _travel_mdeg(joint: Joint) -> tuple[int, int]:
    """Hard-stop travel, outward: the curve covers every position that a sound joint can have."""
    hard = joint.limits.hard_stops_deg or joint.limits.soft_stops_deg
    if joint.continuous or hard is None:
        return -_HALF_TURN_MDEG, _HALF_TURN_MDEG
    return (hard.lower * _MDEG).__floor__(), (hard.upper * _MDEG).__ceil__()


@functools.lru_cache(maxsize=256)  # sines and roots to 50 digits are most of the time that compiling takes
def _cylinder_flow(drive: CylinderDrive, lower: int, upper: int, rated_flow_m3_s: Fraction) -> tuple[Curve, Curve]:
    levers = _Levers(drive, lower, upper)
    nodes = next(
        nodes
        for segments in range(1, FLOW_SEGMENTS_MAX + 1)
        if levers.deficit(nodes := _nodes(lower, upper, segments)) <= FLOW_DEFICIT_MAX or segments == FLOW_SEGMENTS_MAX
    )
    lever_arms = levers.at(nodes)
    curves = []
    for direction in (POSITIVE, NEGATIVE):
        extends = drive.extends_positive == (direction == POSITIVE)
        area = pi() / 4 * (drive.bore_m**2 - (0 if extends else drive.rod_m**2))
        # The volume for a metre of lever arm and a mdeg, as a share of the rated flow.
        scale = area * pi() / _HALF_TURN_MDEG / rated_flow_m3_s * FULL_E4 * Q16
        values = [(lever * scale - ERROR).__floor__() for lever in lever_arms]
        if min(values) < 1:
            raise _dead_centre()
        curves.append(Curve(points=tuple(zip(nodes, values, strict=True))))
    return curves[0], curves[1]


def _dead_centre() -> CurveError:
    return CurveError(
        "the lever arm vanishes within the hard stops (the cylinder comes to point at the joint's pivot)",
        "move a pivot or narrow the hard stops",
    )


def _nodes(lower: int, upper: int, segments: int) -> tuple[int, ...]:
    """Evenly over the travel, on whole millidegrees."""
    return tuple(lower + (upper - lower) * index // segments for index in range(segments + 1))


class _Levers:
    """The true lever arm over the travel, and how far chords between nodes lie below it.

    No chord lies above it, since the lever arm g = a b sin(f) / l bends down for every included angle f from 0 to 180
    degrees: with l' = g and g' = (a b cos(f) - g2) / l its second derivative is -(a b sin(f) + 3 g g') / l, which is
    at most 0 exactly when s2 - p s c + p2 c2 - 3 p2 >= 0, with p = a b, s = a2 + b2 >= 2 p and c = cos(f). The left
    side is smallest at c = 1, and there, with s = 2 p t, t >= 1, it is p2 (4 t2 - 2 t - 2) = 2 p2 (2 t + 1) (t - 1) >=
    0.

    Lever arms are whole numbers of 1e-24 m, rounded down, so that comparing many of them stays fast and exact.
    """

    _UNIT = 10**24

    def __init__(self, drive: CylinderDrive, lower: int, upper: int) -> None:
        """Raises CurveError when a dead centre lies within the travel (mdeg)."""
        self._drive = drive
        self._sign = 1 if drive.extends_positive else -1
        ends = [self._included_deg(Fraction(end)) / 180 for end in (lower, upper)]
        half_turn = min(ends).__floor__()
        if half_turn % 2 or min(ends) == half_turn or max(ends) >= half_turn + 1:
            raise _dead_centre()
        self._grid = [lower + Fraction(upper - lower, _FLOW_GRID) * index for index in range(_FLOW_GRID + 1)]
        self._at_grid = [self._lever(position) for position in self._grid]

    def deficit(self, nodes: Sequence[int]) -> Fraction:
        """Largest share by which the lever arm is above the chords, at the grid's positions."""
        chords = self._chords(nodes)
        return max(Fraction(true - chord, true) for true, chord in zip(self._at_grid, chords, strict=True) if true > 0)

    def at(self, nodes: Sequence[int]) -> list[Fraction]:
        """Lever arms in m at the nodes (mdeg), rounded down."""
        return [Fraction(self._lever(Fraction(node)), self._UNIT) for node in nodes]

    def _included_deg(self, position_mdeg: Fraction) -> Fraction:
        return self._drive.included_at_zero_deg + self._sign * position_mdeg / _MDEG

    def _lever(self, position_mdeg: Fraction) -> int:
        sine, cosine = sine_cosine(self._included_deg(position_mdeg))
        product = self._drive.base_radius_m * self._drive.rod_radius_m
        square = self._drive.base_radius_m**2 + self._drive.rod_radius_m**2 - 2 * product * cosine
        return ((product * sine / root(square) - ERROR) * self._UNIT).__floor__()

    def _chords(self, nodes: Sequence[int]) -> list[int]:
        """The chords' values at the grid's positions, rounded down."""
        values = [self._lever(Fraction(node)) for node in nodes]
        chords, segment = [], 0
        for position in self._grid:
            while segment + 2 < len(nodes) and position >= nodes[segment + 1]:
                segment += 1
            run = nodes[segment + 1] - nodes[segment]
            rise = values[segment + 1] - values[segment]
            along = (position - nodes[segment]) * rise
            chords.append(values[segment] + along.numerator // (along.denominator * run))
        return chords


# -- drive for flow -----------------------------------------------------------------------------------------------


def valve_curve(joint: Joint, direction: int) -> Curve:
    """Flow (e4) -> drive (e4): the measured curve turned round, drive down and flow up, both less oil.

    The first point is (0, jump): the drive jumps over the deadband to it. From there to the first measured flow it
    runs straight, below the measured curve as long as the jump is at most the crack point.

    Raises:
        CurveError: two points fall together in 1/10000, or the jump is above the drive of the first flow.
    """
    side = joint.valve.positive if direction == POSITIVE else joint.valve.negative
    points = [(0, (side.jump * FULL_E4).__floor__())]
    for drive, flow in side.points[1:]:
        point = (flow * FULL_E4).__ceil__(), (drive * FULL_E4).__floor__()
        if point[0] <= points[-1][0]:
            raise CurveError(
                f"the point at drive {float(drive):.2%} has flow {float(flow):.2%}, no more than the point before",
                "flow rises by 0.01 % at least from point to point",
            )
        if point[1] < points[-1][1]:
            raise CurveError(
                f"drive {float(drive):.2%} comes after {points[-1][1] / 100} %",
                "drive rises from the jump on; lower the jump",
            )
        if point[0] > FULL_E4:
            raise CurveError(f"flow {float(flow):.2%} is above the rated flow", "at most 100 %; raise rated_flow")
        points.append(point)
    if not 2 <= len(points) <= CURVE_POINTS_MAX:
        raise CurveError(f"{len(points)} points", f"2 to {CURVE_POINTS_MAX} points")
    return Curve(points=tuple(points))
