"""One joint while it is being stopped, with the oil's pressures in it: the readable definition.

`stiff.c` beside this file does the same operations in the same order and agrees with it to the last bit; it is what
replays run. SI, radians, gauge pascals. Side 0 is the port whose pressure drives the joint the positive way, side 1 the
other one.

States: joint angle q, speed w, and for each side the oil that is squeezed into it beyond what it holds without
pressure, e (m3). Pressure p = K e / V(q), K the bulk modulus, V chamber and hose. Where e is negative the side is not
full: its pressure is 0 (gauge: the cavitation floor, a bar above true vacuum), and the void that -e is must be filled
again before pressure comes back. With a side's displacement a(q) (area times lever arm, or a motor's volume a radian):

    de0/dt = flows into side 0 - a0 w            de1/dt = flows into side 1 + a1 w
    I dw/dt = a0 (p0 + d0) - a1 (p1 + d1) - friction + gravity(q)

d = damping x K / V x de/dt is the resistance of the oil to being squeezed (the throttles in the ports), set so that the
joint swings on its trapped oil with the profile's damping ratio; it is never more than p either way. Friction is the
part of the oil's torque that the efficiency leaves off (driving: 1 - efficiency, overrunning: 1 / efficiency - 1).

Flows:
- the spool, open by the share u behind dead time and lag: an edge from the supply to the side that it drives and an
  edge from the other side to the tank, u k root(drop) each. A compensated section passes u x rated flow while there is
  pressure for it, and nothing backwards; a plain one passes oil back to the supply when that is lower.
- a seat valve on a side lets oil in freely and out only as far as it is open, in series with the edge. Counterbalance:
  open by (p + ratio x pilot - shut) / range, shut = setting + (1 + ratio) tank, or the setting alone with a vented
  spring chamber; its relief function passes oil to the tank above the same pressure on its own, as if it had no pilot
  pressure (the line of a centred spool is drained; common practice, no source). Pilot check: (ratio x (pilot - tank) -
  (p - tank)) / range. Pilot is the pressure of the other side.
- port reliefs, to the tank above their setting (these and the relief function feel p + d); anti-cavitation checks,
  from the tank when the side is below it;
- the leak of a centred spool from a side without a seat valve, and of a motor from side to side.

root(x) = x / (x2 + soft2)^(1/4): the root of the drop, straight within about `soft` of zero (laminar there).

The supply: load-sensing, the pressure of the driven side plus the margin, at most relief; else at relief. When the
enable output drops it falls in a straight line to what the dump leaves.

Method: the classic fourth-order Runge-Kutta step of fixed length, chosen with the joint (`stiff_joint.py`); the spool's
lag is exact within it. Hard stops take all speed. A holding brake bites once the spool is all but shut, with a friction
torque, and holds for good once the joint is slower than BRAKE_RAD_S.

Left out: the line between valve and seat valve as a volume of its own (its oil counts with the chamber, or not at
all), pressure waves in the hoses, steel that bends, change of the moment of inertia and motion of the other joints
during the stop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

CYLINDER, MOTOR = 0, 1
NO_SEAT, COUNTERBALANCE, PILOT_CHECK = 0, 1, 2
GRAVITY_MAX = 128  # nodes
LEVER_LEAST_M = 0.001
STANDS_RAD_S = 0.1 * math.pi / 180.0  # a joint below this stands, as in the events of a replay
BRAKE_RAD_S = 1.0 * math.pi / 180.0
SHUT, NEARLY_SHUT = 1e-4, 1e-2  # shares of rated flow
RELIEF_OPENED, SEAT_OPENED, VOID, HARD_STOP = 1, 2, 4, 8
"""Bits of `StiffResult.happened`: RELIEF_OPENED, SEAT_OPENED (relief function) and VOID are shifted by 8 for side 1."""
ROW = 6
"""Doubles in a row: angle, speed, the two pressures, the supply's pressure, the share that the spool is open by."""

Floats = NDArray[np.float64]
Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Yield:
    """A relief valve, or the relief function of a counterbalance."""

    pa: float  # where it opens; infinite: there is none
    per_pa: float = 0.0  # m3/s for each Pa above it
    bit: int = 0  # RELIEF_OPENED or SEAT_OPENED


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """One port of the actuator and what is connected to it."""

    area: float  # m2 of a cylinder, m3/rad of a motor
    way: float  # +1: the chamber grows with the cylinder's length; -1; motor 0
    length_at_m: float  # cylinder length at which the chamber is empty
    dead_m3: float  # line, ports and clearances, half of a motor
    least_m3: float  # the volume is not taken below this: near the end of a stroke the step would not carry less
    seat: int
    shut_pa: float  # pressure + ratio x pilot up to which the counterbalance is shut
    ratio: float
    range_pa: float  # from closed to fully open
    seat_edge: float  # m3/s per root Pa, fully open
    yields: tuple[Yield, Yield]  # the one that opens first comes first
    fill_edge: float  # anti-cavitation, m3/s per root Pa; 0: none
    leak_per_pa: float  # to the tank, m3/s per Pa


@dataclass(frozen=True, slots=True, kw_only=True)
class StiffJoint:
    """One joint at one corner of its tolerances, with one load."""

    name: str
    kind: int
    continuous: bool
    compensated: bool
    load_sensing: bool
    brake_n_m: float  # of a holding brake; 0: none
    tick_s: float
    steps_per_tick: int
    dead_steps: int
    alpha_half: float  # 1 - exp(-step / 2 lag)
    alpha: float
    full_flow_m3_s: float
    edge: float  # m3/s per root Pa
    soft_pa2: float  # the square of `soft`
    product_m2: float
    squares_m2: float
    included_rad: float
    sense: float
    side: tuple[Side, Side]
    cross_leak_per_pa: float
    bulk_pa: float
    damping_s: float
    supply_pa: float  # relief
    margin_pa: float
    tank_pa: float
    dump_pa: float  # what the dump leaves
    dump_per_s: float  # 1 / time; 0: the supply stays
    driving: float  # friction shares
    overrunning: float
    friction_rad_s: float
    inertia_kg_m2: float
    gravity_at_rad: float  # first node
    gravity_per_rad: float  # nodes a radian
    gravity_n_m: tuple[float, ...]
    lower_rad: float
    upper_rad: float
    gain: float  # of the flow; already in the shares that `StiffStart` carries

    @property
    def step_s(self) -> float:
        """Length of one step."""
        return self.tick_s / self.steps_per_tick


@dataclass(frozen=True, slots=True, kw_only=True)
class StiffStart:
    """A joint at the tick in which a stop begins, and what its valve and the pump are told from there on.

    `share`: signed openings, one more than ticks; share[D + 1 + k] is asked for in tick k, D whole ticks of dead time,
    so the first D + 1 are from before the stop. `factor`: of the inlet flow, by what the pump is short. `off_tick`: the
    tick in which the enable output drops.
    """

    q_rad: float
    w_rad_s: float
    squeezed_m3: Pair
    lag: float  # share that the spool is open by
    share: Floats
    factor: Floats  # one a tick
    off_tick: int
    quiet_ticks: int  # a joint that stood for so long stays


@dataclass(slots=True)
class StiffResult:
    """How the stop went. Times in s and angles in rad from its beginning; pressures are the highest of any step."""

    ticks: int = 0
    peak_pa: list[float] = field(default_factory=lambda: [0.0, 0.0])
    highest_rad: float = 0.0
    lowest_rad: float = 0.0
    turned_s: float = -1.0  # when the speed first was zero or changed its sign; -1: never
    moving_s: float = 0.0  # last time at which it was faster than STANDS_RAD_S
    happened: int = 0
    stood: bool = False
    rows: Floats = field(default_factory=lambda: np.zeros((0, ROW)))


@dataclass(frozen=True, slots=True)
class Valve:
    """What a joint is told at one moment."""

    share: float
    factor: float
    level: float  # of the supply, 1 to 0 while it is dumped
    brake: float  # N m


@dataclass(slots=True)
class Motion:
    """The states."""

    q: float
    w: float
    e0: float
    e1: float


@dataclass(slots=True)
class Oil:
    """Derivatives, and what they were made from."""

    dw: float = 0.0
    de0: float = 0.0
    de1: float = 0.0
    p0: float = 0.0
    p1: float = 0.0
    d0: float = 0.0
    d1: float = 0.0
    supply: float = 0.0


def root(drop: float, soft2: float) -> float:
    """Signed root of a pressure drop, straight around zero."""
    return drop / math.sqrt(math.sqrt(drop * drop + soft2))


def geometry(joint: StiffJoint, q: float) -> tuple[float, float, float, float]:
    """Displacements of the two sides in m3/rad and their volumes in m3 at an angle."""
    first, second = joint.side
    if joint.kind != CYLINDER:
        return first.area, second.area, first.dead_m3, second.dead_m3
    cosine = math.cos(joint.included_rad + joint.sense * q)
    length = math.sqrt(joint.squares_m2 - 2.0 * joint.product_m2 * cosine)
    lever = joint.product_m2 * math.sqrt(1.0 - cosine * cosine) / length
    if lever < LEVER_LEAST_M:
        lever = LEVER_LEAST_M
    return first.area * lever, second.area * lever, _volume(first, length), _volume(second, length)


def _volume(side: Side, length: float) -> float:
    volume = side.dead_m3 + side.area * (side.way * (length - side.length_at_m))
    return volume if volume > side.least_m3 else side.least_m3


def gravity(joint: StiffJoint, q: float) -> float:
    """Torque of gravity in the positive direction, N m: straight between the nodes, ends held."""
    at = q
    if joint.continuous:
        at = at - 2.0 * math.pi * math.floor((at + math.pi) / (2.0 * math.pi))
    x = (at - joint.gravity_at_rad) * joint.gravity_per_rad
    last = len(joint.gravity_n_m) - 1
    if x <= 0.0:
        return joint.gravity_n_m[0]
    if x >= last:
        return joint.gravity_n_m[last]
    node = int(x)
    low = joint.gravity_n_m[node]
    return low + (x - node) * (joint.gravity_n_m[node + 1] - low)


def supply_pa(joint: StiffJoint, inlet_pa: float, level: float) -> float:
    """Pressure in front of the inlet edge; `level` falls from 1 to 0 while the pump is dumped."""
    full = inlet_pa + joint.margin_pa if joint.load_sensing else joint.supply_pa
    if full > joint.supply_pa:
        full = joint.supply_pa
    return joint.dump_pa + (full - joint.dump_pa) * level


def inlet_m3_s(joint: StiffJoint, side: Side, opening: float, drop: float) -> float:
    """Through the inlet edge, open by `opening` (above 0), into a side."""
    flow = opening * joint.edge * root(drop, joint.soft_pa2)
    if joint.compensated and flow > opening * joint.full_flow_m3_s:
        flow = opening * joint.full_flow_m3_s
    if flow < 0.0 and (joint.compensated or side.seat != NO_SEAT):
        flow = 0.0
    return flow


def outlet_m3_s(joint: StiffJoint, side: Side, opening: float, pressure: float, pilot: float) -> float:
    """Out of a side, through its seat valve if it has one, and the outlet edge."""
    drop = pressure - joint.tank_pa
    edge = opening * joint.edge
    if side.seat != NO_SEAT and drop > 0.0:
        if side.seat == COUNTERBALANCE:
            over = pressure + side.ratio * pilot - side.shut_pa
        else:
            over = side.ratio * (pilot - joint.tank_pa) - drop
        if over <= 0.0:
            return 0.0
        seat = side.seat_edge if over >= side.range_pa else side.seat_edge * over / side.range_pa
        edge = edge * seat / math.sqrt(edge * edge + seat * seat)
    return edge * root(drop, joint.soft_pa2)


def standing_m3_s(joint: StiffJoint, side: Side, pressure: float) -> float:
    """Net flow into a side that depends neither on the spool nor on reliefs: anti-cavitation, leak."""
    flow = side.leak_per_pa * (joint.tank_pa - pressure)
    if pressure < joint.tank_pa:
        flow = flow + side.fill_edge * root(joint.tank_pa - pressure, joint.soft_pa2)
    return flow


def _squeeze(joint: StiffJoint, side: Side, pressure: float, volume: float, flow: float) -> tuple[float, float]:
    """(de, d) of a side that oil flows into, and out of through its reliefs: they feel p + d, which de makes."""
    per_flow = joint.damping_s * (joint.bulk_pa / volume)
    first, second = side.yields
    de = flow
    if pressure + per_flow * de > first.pa:
        part = flow - first.per_pa * (pressure - first.pa)
        de = part / (1.0 + first.per_pa * per_flow)
        if pressure + per_flow * de > second.pa:
            part = part - second.per_pa * (pressure - second.pa)
            de = part / (1.0 + (first.per_pa + second.per_pa) * per_flow)
    if per_flow * de <= pressure:
        return de, per_flow * de if per_flow * de >= -pressure else -pressure
    de = flow
    if pressure + pressure > first.pa:
        de = de - first.per_pa * (pressure + pressure - first.pa)
    if pressure + pressure > second.pa:
        de = de - second.per_pa * (pressure + pressure - second.pa)
    return de, pressure


def slopes(joint: StiffJoint, now: Motion, valve: Valve) -> Oil:
    """The right-hand side: dw, de0, de1 (dq is w itself), with the pressures."""
    share = valve.share
    first, second = joint.side
    oil = Oil()
    area0, area1, volume0, volume1 = geometry(joint, now.q)
    if now.e0 > 0.0:
        oil.p0 = joint.bulk_pa * now.e0 / volume0
    if now.e1 > 0.0:
        oil.p1 = joint.bulk_pa * now.e1 / volume1
    flow0 = standing_m3_s(joint, first, oil.p0) - joint.cross_leak_per_pa * (oil.p0 - oil.p1)
    flow1 = standing_m3_s(joint, second, oil.p1) + joint.cross_leak_per_pa * (oil.p0 - oil.p1)
    oil.supply = supply_pa(joint, oil.p1 if share < 0.0 else oil.p0, valve.level)
    if share > 0.0:
        flow0 = flow0 + valve.factor * inlet_m3_s(joint, first, share, oil.supply - oil.p0)
        flow1 = flow1 - outlet_m3_s(joint, second, share, oil.p1, oil.p0)
    elif share < 0.0:
        flow1 = flow1 + valve.factor * inlet_m3_s(joint, second, -share, oil.supply - oil.p1)
        flow0 = flow0 - outlet_m3_s(joint, first, -share, oil.p0, oil.p1)
    oil.de0, oil.d0 = _squeeze(joint, first, oil.p0, volume0, flow0 - area0 * now.w)
    oil.de1, oil.d1 = _squeeze(joint, second, oil.p1, volume1, flow1 + area1 * now.w)
    net = area0 * (oil.p0 + oil.d0) - area1 * (oil.p1 + oil.d1)
    loss = joint.driving if net * now.w > 0.0 else joint.overrunning
    rub = (loss * abs(net) + valve.brake) * (
        now.w / math.sqrt(now.w * now.w + joint.friction_rad_s * joint.friction_rad_s)
    )
    oil.dw = (net - rub + gravity(joint, now.q)) / joint.inertia_kg_m2
    return oil


def _moved(now: Motion, w: float, oil: Oil, h: float) -> Motion:
    return Motion(now.q + h * w, now.w + h * oil.dw, now.e0 + h * oil.de0, now.e1 + h * oil.de1)


def _level(joint: StiffJoint, since_s: float) -> float:
    level = 1.0
    if since_s > 0.0:
        level = 1.0 - joint.dump_per_s * since_s
        if level < 0.0:
            level = 0.0
    return level


def _step(joint: StiffJoint, now: Motion, valve: tuple[Valve, Valve, Valve]) -> Oil:
    """One step in place, `valve` at its start, middle and end; returns what was at its start."""
    h = joint.step_s
    k1 = slopes(joint, now, valve[0])
    at2 = _moved(now, now.w, k1, 0.5 * h)
    k2 = slopes(joint, at2, valve[1])
    at3 = _moved(now, at2.w, k2, 0.5 * h)
    k3 = slopes(joint, at3, valve[1])
    at4 = _moved(now, at3.w, k3, h)
    k4 = slopes(joint, at4, valve[2])
    sixth = h / 6.0
    now.q = now.q + sixth * (now.w + 2.0 * at2.w + 2.0 * at3.w + at4.w)
    now.w = now.w + sixth * (k1.dw + 2.0 * k2.dw + 2.0 * k3.dw + k4.dw)
    now.e0 = now.e0 + sixth * (k1.de0 + 2.0 * k2.de0 + 2.0 * k3.de0 + k4.de0)
    now.e1 = now.e1 + sixth * (k1.de1 + 2.0 * k2.de1 + 2.0 * k3.de1 + k4.de1)
    return k1


def _held(joint: StiffJoint, now: Motion) -> bool:
    """Put onto a hard stop where it is beyond it: the speed is gone, the oil that the step moved too far comes back."""
    if joint.continuous or joint.lower_rad <= now.q <= joint.upper_rad:
        return False
    edge = joint.upper_rad if now.q > joint.upper_rad else joint.lower_rad
    area0, area1, _, _ = geometry(joint, edge)
    now.e0 = now.e0 + area0 * (now.q - edge)
    now.e1 = now.e1 - area1 * (now.q - edge)
    now.q = edge
    if (now.w > 0.0) == (edge == joint.upper_rad):
        now.w = 0.0
    return True


def _note(joint: StiffJoint, oil: Oil, result: StiffResult) -> None:
    for index, (pressure, extra) in enumerate(((oil.p0, oil.d0), (oil.p1, oil.d1))):
        whole, shift = pressure + extra, 8 * index
        if whole > result.peak_pa[index]:
            result.peak_pa[index] = whole
        for one in joint.side[index].yields:
            if whole > one.pa:
                result.happened |= one.bit << shift
        if pressure == 0.0:
            result.happened |= VOID << shift


def run_stiff(joint: StiffJoint, start: StiffStart) -> StiffResult:
    """The stop, step by step, to standstill or to the end of `start.factor`. Deterministic."""
    result = StiffResult(highest_rad=start.q_rad, lowest_rad=start.q_rad)
    now = Motion(start.q_rad, start.w_rad_s, start.squeezed_m3[0], start.squeezed_m3[1])
    count, h = joint.steps_per_tick, joint.step_s
    late = joint.dead_steps % count  # in so many steps of a tick the share of one tick earlier still acts
    lag, quiet = start.lag, start.quiet_ticks * count
    step = moving = 0
    rows = np.zeros((len(start.factor), ROW))
    for tick in range(len(start.factor)):
        share, supply = lag, 0.0
        for part in range(count):
            target = float(start.share[tick] if part < late else start.share[tick + 1])
            middle, end = lag + joint.alpha_half * (target - lag), lag + joint.alpha * (target - lag)
            off_s, factor = (step - start.off_tick * count) * h, float(start.factor[tick])
            biting = joint.brake_n_m > 0.0 and target == 0.0 and -NEARLY_SHUT < lag < NEARLY_SHUT
            brake = joint.brake_n_m if biting else 0.0
            valve = (
                Valve(lag, factor, _level(joint, off_s), brake),
                Valve(middle, factor, _level(joint, off_s + 0.5 * h), brake),
                Valve(end, factor, _level(joint, off_s + h), brake),
            )
            oil = _step(joint, now, valve)
            _note(joint, oil, result)
            lag, supply = end, oil.supply
            step += 1
            if _held(joint, now):
                result.happened |= HARD_STOP
            if biting and -BRAKE_RAD_S < now.w < BRAKE_RAD_S:
                now.w = 0.0
            if result.turned_s < 0.0 and now.w * start.w_rad_s <= 0.0:
                result.turned_s = step * h
            if now.w >= STANDS_RAD_S or now.w <= -STANDS_RAD_S:
                moving = step
            if now.q > result.highest_rad:
                result.highest_rad = now.q
            if now.q < result.lowest_rad:
                result.lowest_rad = now.q
            share = target
        _, _, volume0, volume1 = geometry(joint, now.q)
        rows[tick, 0], rows[tick, 1] = now.q, now.w
        rows[tick, 2] = joint.bulk_pa * now.e0 / volume0 if now.e0 > 0.0 else 0.0
        rows[tick, 3] = joint.bulk_pa * now.e1 / volume1 if now.e1 > 0.0 else 0.0
        rows[tick, 4], rows[tick, 5] = supply, lag
        result.ticks = tick + 1
        if share == 0.0 and -SHUT < lag < SHUT and step - moving >= quiet:
            result.stood = True
            break
    result.moving_s = moving * h
    result.rows = rows[: result.ticks]
    return result
