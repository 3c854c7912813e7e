"""What each limit asks for, by what rule or formula, how it is shown and where that is from: the words of `--explain`.

The numbers come from the finding. A finding that has an explanation of its own gives formula, numbers and source with
it; the words here are then the question that it answers, and how it was shown.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from mapper.check.demand import PRACTICE
from mapper.check.finding import Evidence, Explanation, Finding, Given, Status

_SIDES = ("_upper", "_lower")
_OWN = "rules of this project's control law, numbered in firmware_stub/core/law.h; derived here"
_STATICS = (
    "any textbook of statics or fluid power; the formulas used are checked against published ones in tests/outside"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """One limit. `formula` and `source` stand where a finding brings none of its own."""

    asks: str
    formula: tuple[str, ...]
    shown: str
    source: str


EVIDENCE_WORDS = {
    Evidence.EXHAUSTIVE: "every value of the inputs, on the compiled law",
    Evidence.INTERVAL: "an argument with outward rounding that covers all states in between",
    Evidence.SEARCH: "runs of the compiled law: nothing found in so many, and no more than that",
    Evidence.COMPUTED: "one formula at the worst corner",
    Evidence.NONE: "nothing was shown",
}

WORDS: dict[str, Words] = {
    "search": Words(
        asks="No example of what operator, wires and machine may do breaks a rule of the law, a limit of the table or "
        "a bound of the check (`mapper check --effort`).",
        formula=("rules broken in all examples = 0",),
        shown="examples drawn from a seed: up to eight segments of motion at several inputs, sensor faults, stops, "
        "releases, resets, modes, key and power-ups, run through the compiled law and a plant of the class (no oil "
        "spring, no load), every tick watched by a monitor that shares no code with the law",
        source=_OWN,
    ),
    # -- the table and the law
    "as_written": Words(
        asks="Every value of the table is what the profile says, rounded to its safe side.",
        formula=("table value = profile value x units of the table, rounded down, up or to the nearest as is safe",),
        shown="each value worked out from the profile a second time, not by the compiler; calibration and response "
        "curves read through the law at every count and angle",
        source=_OWN,
    ),
    "drive_range": Words(
        asks="No flow gives a drive beyond drive_max, and a flow of zero gives exactly no drive.",
        formula=("0 <= drive(flow) <= drive_max for flow = 0 .. 10000, both ways; drive(0) = 0",),
        shown="the valve stage of the law at every flow that it can be asked for",
        source=_OWN,
    ),
    "deadband_zero": Words(
        asks="Inside the deadband nothing is asked for at all.",
        formula=("target speed = 0 where |error| <= error_deadband and |operator's speed| <= speed_deadband",),
        shown="the law at every pair of error and speed in the deadband, or on its whole edge; at every lever position",
        source=_OWN,
    ),
    "deadband_jump": Words(
        asks="The first drive past zero lies short of where the valve may first pass flow: else the smallest command "
        "moves the joint, which overshoots, comes back and so hunts.",
        formula=("jump <= crack_min, each side",),
        shown="the first point of the compiled valve curve against the smallest crack point that was measured",
        source=PRACTICE,
    ),
    "direction": Words(
        asks="More of the operator's motion never asks for less of the joint's, nor for the other way.",
        formula=("calibration, response, gain and valve each never turn back; so the whole way from count to drive",),
        shown="each stage over every value of its domain; monotonic functions one after another are monotonic",
        source="composition of monotonic functions; derived here",
    ),
    "ramp": Words(
        asks="The command never changes faster than the accelerations of the profile, nor its sign within a tick.",
        formula=("|w(k) - w(k - 1)| <= acceleration x tick, or deceleration x tick where the speed falls",),
        shown="every speed before the tick against the targets at which the rule has its breaks; straight between them",
        source=_OWN,
    ),
    # -- speed, travel and stops
    "speed_limit": Words(
        asks="The real joint, in its fastest pose with the most that the valve may give, stays at or below "
        "speed_never_above.",
        formula=("v <= speed_never_above",),
        shown="every millidegree of the travel, each with the worst reading that can go with it",
        source=_STATICS,
    ),
    "flow_available": Words(
        asks="The flow for full speed is there in every pose: pump (this joint alone) and valve.",
        formula=("Q(q) <= smaller of pump flow and rated flow",),
        shown="the compiled flow table at every millidegree of the travel",
        source=_STATICS,
    ),
    "soft_stop_overrun": Words(
        asks="Whatever the operator does, the joint stands before the hard stop: the overrun past the soft stop fits "
        "into the way between the two.",
        formula=("overrun <= |hard stop - soft stop|",),
        shown="a proof for all plants of the stated tolerances, spring included, whether oil that leaks damps it or "
        "something beside it, each constant during a motion, that the joint never closes the room "
        "left faster than that room allows; the compiled curve is held against it at every millidegree; never by "
        "simulation",
        source="derived here, step by step in mapper/check/motion/stop_bound.py and swing.py",
    ),
    "coupled_stops": Words(
        asks="Whatever the operator does with the two joints together, their weighted sum stays before its hard stop.",
        formula=("overrun of the sum <= |hard - soft|",),
        shown="the same proof as for a soft stop, for two joints of which each may be anything within its tolerances, "
        "on readings of different ages; "
        "the compiled law is run at rooms, positions and speeds of both",
        source="derived here, step by step in mapper/check/motion/coupled_stop.py",
    ),
    "travel": Words(
        asks="The cylinder takes the joint from hard stop to hard stop, with no dead centre between them.",
        formula=("closed length <= L(q) <= closed length + stroke at both hard stops",),
        shown="the triangle of the three pivots at both hard stops",
        source=_STATICS,
    ),
    # -- sensors and watches
    "sensor_window": Words(
        asks="A broken wire or a short is seen, wherever it floats, and stops the arm within fault_time.",
        formula=(
            "gap between window and end of the counts >= 2 % of all counts",
            "time from the first bad count to drives at zero <= fault_time",
        ),
        shown="every count outside every window, held from a moving arm, through the whole law",
        source="NAMUR NE 43 leaves a gap between the currents of values and of failures (seen second hand); that the "
        "gap is 2 % here: common practice, no source",
    ),
    "track_disagreement": Words(
        asks="Two tracks that differ by more than disagreement stop the arm within fault_time.",
        formula=("time from the first count apart to drives at zero <= fault_time + one tick for the median",),
        shown="every count of one track that is too far from the other, held from a moving arm, through the whole law",
        source=_OWN,
    ),
    "two_tracks": Words(
        asks="A joint that carries weight has two position tracks of opposite slopes, which one fault of their common "
        "supply cannot move the same way.",
        formula=("number of different slopes among the tracks = 2",),
        shown="the first and last calibration point of each track",
        source=PRACTICE,
    ),
    "stuck_sensor": Words(
        asks="A position sensor that freezes at a plausible count is noticed before the joint has gone far.",
        formula=("disagreement + what both readings may be off + speed x time to notice <= 10 deg, with two tracks",),
        shown="every count of a frozen track, both ways, through the law's sensor and soft-stop stages; a single track "
        "against the stall watch, on the whole law",
        source="derived here; the 10 deg: " + PRACTICE,
    ),
    "sensor_step": Words(
        asks="A reading that jumps farther in one tick than joint or hand can move is not believed.",
        formula=("step in one tick <= largest rate x tick + error + one count",),
        shown="the compiled step of both sensors",
        source=PRACTICE,
    ),
    "matching": Words(
        asks="Nothing moves before operator and arm are in the same pose, and motion then begins gently.",
        formula=("match window <= 10 deg and half the gap; authority ramp, match hold and pump load long enough",),
        shown="the compiled values",
        source=PRACTICE,
    ),
    "following": Words(
        asks="Motion begins from zero and grows with authority, a gap is never chased, and a joint that follows at "
        "full speed does not trail so far that it is held for it. A lever begins at rest.",
        formula=("steady error (1 - feed_forward x gain of the joint) x speed / gain <= gap",),
        shown="every error in both modes and every count of the operator's sensor through the law's stages; the "
        "beginning on the whole law",
        source="steady state of a proportional loop, any textbook of control; " + _OWN,
    ),
    "motion_watches": Words(
        asks="A joint that moves unasked, does not move when asked, or whose tracks differ is noticed, and a good "
        "joint is not taken for one.",
        formula=("each setting of the watches within its own bound",),
        shown="the compiled values; the slowest pose with the least that the valve gives, for false alarms",
        source="derived here from the machine; where a bound has no such origin: " + PRACTICE,
    ),
    # -- what holds and stops
    "load_holding": Words(
        asks="A joint that carries weight is held by something other than the spool.",
        formula=("holding.kind is counterbalance, double_counterbalance, pilot_check or brake",),
        shown="the kind that the profile names",
        source="common practice, no source; ISO 4413 asks that a load cannot drop when a line fails (from memory, "
        "clause not at hand)",
    ),
    "emergency_stop": Words(
        asks="An open stop channel takes every drive and the enable output away: category 0 in that tick, category 1 "
        "before the delayed relay drops. It is left only by a deliberate reset.",
        formula=(
            "time from reading a channel open to zero <= one tick (category 0), or the relay's delay (category 1)",
        ),
        shown="every reachable state of the safety machine with every digital input; the time on this table from a "
        "moving arm. Only the controller's part: valve, dump and load come on top, see stopping_distance",
        source="IEC 60204-1, 9.2.2, stop categories 0 and 1 (quoted second hand in tests/outside); ISO 13850:2015, "
        "4.1.1.2 (the same)",
    ),
    "fault": Words(
        asks="A fault gives zero drive in that tick, is remembered, and is left only by a deliberate reset.",
        formula=("no reachable state breaks one of the rules",),
        shown="every reachable state of the safety machine with every digital input and joint condition",
        source=_OWN,
    ),
    "power_up": Words(
        asks="Switching on moves and enables nothing, and ends only with good sensors.",
        formula=("no reachable state breaks one of the rules",),
        shown="every reachable state of the safety machine with every digital input and joint condition",
        source="ISO 12100: no unexpected start-up (from memory); the rules are those of firmware_stub/core/law.h",
    ),
    "restart": Words(
        asks="Motion begins only after a reset, with the enabling device pressed anew; nothing starts by itself.",
        formula=("no reachable state breaks one of the rules",),
        shown="every reachable state of the safety machine with every digital input and joint condition",
        source="ISO 13849-1, manual reset: taken when the button is let go, and no start by itself (from memory)",
    ),
    "release": Words(
        asks="After the enabling device is let go every drive is zero by the deadline.",
        formula=("(deadline + 2 ticks) x longest tick <= release_deadline",),
        shown="every reachable state of the safety machine; the time on this table from a moving arm",
        source="ISO 12100, hold-to-run: the hazardous function only while the device is held (seen in an extract); the "
        "deadline is the profile's own",
    ),
    "slowing": Words(
        asks="While stopping, every joint only slows, whatever the operator goes on asking, and it stands before the "
        "deadline would cut it off.",
        formula=(
            "|w(k)| <= |w(k - 1)| - stop_deceleration x tick, and never past zero; ramp from full speed <= deadline",
        ),
        shown="one tick of the whole law in stopping, from every speed, both ways and modes, and with every count of "
        "every sensor",
        source=_OWN,
    ),
    "integer_width": Words(
        asks="No number in the controller ever overflows, which would turn a large speed into one the other way.",
        formula=("|number| < 2^63 for products, < 2^31 for what is kept, <= 65535 for counters",),
        shown="the largest magnitude of each product and sum of the rules, in whole numbers, from the table's own "
        "numbers",
        source=_OWN,
    ),
    # -- the whole arm in space
    "tip_speed": Words(
        asks="In reduced mode no point of arm or load moves faster than tip_speed, whatever joints move together.",
        formula=("v <= tip_speed",),
        shown="branch and bound over all poses between the hard stops, with bounds rounded outward; what the law lets "
        "through on many sets of commands",
        source=_OWN,
    ),
    "keep_out": Words(
        asks="No part of arm or load gets into a keep-out space in any pose between the hard stops.",
        formula=("distance of every part from the space >= 0",),
        shown="branch and bound over all poses, with bounds rounded outward; where it does not hold, a pose that "
        "enters",
        source=_STATICS,
    ),
    # -- physics of the machine
    "gain_spread": Words(
        asks="What the loads can make of an asked speed is within what the braking curve of the table counts with.",
        formula=("g <= gc: highest real over asked speed, at most what was compiled",),
        shown="every pose of the joint, both ways, with the worst of the others and of the loads",
        source="orifice law, any textbook of fluid power; 0.85 to 1.3 of a compensated section: common practice, no "
        "source",
    ),
    "force": Words(
        asks="The drive moves every load in every pose, on the steepest ground, while it accelerates it.",
        formula=("pressure needed <= pressure there is at the actuator",),
        shown="every pose of the joint, with the worst of the others and of the loads",
        source=_STATICS,
    ),
    "holding_pressure": Words(
        asks="What holds the joint when its valve is centred holds every load, and does not give way to it.",
        formula=(
            "setting >= 1.3 x pressure that the load makes on the held side (1.3: common practice, no source)",
            "torque of a brake, where one holds or is given >= 1.3 x largest torque of gravity (the same)",
        ),
        shown="every pose of the joint, with the worst of the others and of the loads",
        source=_STATICS,
    ),
    "pressure_rating": Words(
        asks="No pressure that the settings allow is above what actuator and hoses are rated for.",
        formula=("highest pressure at a port, intensification included <= rated pressure",),
        shown="relief and holding settings at both ports",
        source=_STATICS,
    ),
    "buckling": Words(
        asks="The rod, pushed by all the pressure there can be, does not buckle at its longest.",
        formula=("buckling load / largest push >= buckling_factor",),
        shown="the longest length between the hard stops, with the highest pressure that any setting allows",
        source="Euler's column and the parabola below its slenderness (J. B. Johnson); any textbook of strength of "
        "materials",
    ),
    "pressure_peak": Words(
        asks="Stopping the moving load does not make more pressure than ports, hoses and actuator bear.",
        formula=("pressure before + rise of the oil spring that takes the load's energy <= what the weakest bears",),
        shown="every pose of the joint at full speed, for stops along the ramp and at once",
        source=_STATICS,
    ),
    "natural_frequency": Words(
        asks="The lowest frequency that the profile states is no higher than what oil and load make of it.",
        formula=(
            "natural_frequency <= sqrt(stiffness of the oil x lever arm^2 / inertia) / 2 pi, the other joints held",
        ),
        shown="every pose of the joint with its greatest inertia; what the joints do together is told, not judged here",
        source=_STATICS,
    ),
    "loop_margin": Words(
        asks="The follow loop is stable with room to spare in gain and phase.",
        formula=("gain margin and phase margin of follow gain, lag, dead time, sampling and oil spring",),
        shown="both corners of lag and gain",
        source="Bode and Nyquist, any textbook of control",
    ),
    "hunting": Words(
        asks="The error deadband is wide enough that a joint comes to rest in it and stays.",
        formula=("error_deadband >= way after the smallest motion + hysteresis + noise",),
        shown="the compiled deadband against what the smallest step past the valve's deadband does",
        source="derived here",
    ),
    "stopping_distance": Words(
        asks="In any stop the load's centre moves no farther than stop_distance.",
        formula=("way until the valve shuts + way on the holding valves and the oil spring <= stop_distance",),
        shown="every kind of stop from the fastest that the real joint can be, in the worst pose with the worst load",
        source="derived here",
    ),
    "pump_share": Words(
        asks="With all joints at full speed together, none sinks below share_least of its own.",
        formula=("pump flow / flow that all ask for >= share_least",),
        shown="each joint in the pose that asks for most",
        source=_STATICS,
    ),
    "power": Words(
        asks="The engine gives what flow and pressure of the pump take.",
        formula=("flow x pressure <= power",),
        shown="largest flow at the highest pressure",
        source=_STATICS,
    ),
    "standby_pressure": Words(
        asks="What pressure is left after a dump moves no joint.",
        formula=("standby pressure x area x lever arm <= torque that it takes to move the joint",),
        shown="the emptiest arm in the pose that is moved most easily",
        source=_STATICS,
    ),
}


def base_limit(limit: str) -> str:
    """The limit's name without the side."""
    for side in _SIDES:
        if limit.endswith(side) and limit.removesuffix(side) in WORDS:
            return limit.removesuffix(side)
    return limit


def asked_for(findings: Iterable[Finding], limit: str) -> tuple[Finding, ...]:
    """The findings of that name; a name without a side stands for both."""
    return tuple(one for one in findings if limit in (one.limit, base_limit(one.limit)))


def nearest_name(limit: str, names: Iterable[str]) -> str | None:
    """The name that the writer may have meant; None where none is near."""
    found = difflib.get_close_matches(limit.lower().replace("-", "_"), list(names), n=1, cutoff=0.5)
    return found[0] if found else None


def explanation_of(finding: Finding) -> Explanation:
    """Formula, numbers and source of one finding.

    Raises:
        KeyError: no words for that limit.
    """
    words = WORDS[base_limit(finding.limit)]
    if finding.explanation is not None:
        return finding.explanation
    return Explanation(formula=words.formula, given=_from_finding(finding), source=words.source)


def _from_finding(finding: Finding) -> tuple[Given, ...]:
    """Where a limit counts broken rules, or is one comparison, its worst and its bound are the numbers put in."""
    if finding.worst is None or finding.bound is None:
        return ()
    least = "the least allowed" if finding.at_least else "the most allowed"
    return (
        Given(symbol="worst", meaning="found at the worst case", value=finding.worst, unit=finding.unit),
        Given(symbol="bound", meaning=least, value=finding.bound, unit=finding.unit),
    )


def result_words(finding: Finding) -> str:
    """The result against its bound, in words."""
    if finding.worst is None or finding.bound is None:
        return f"{finding.status.value}: nothing to compare"
    unit = f" {finding.unit}" if finding.unit else ""
    allowed = "at least" if finding.at_least else "at most"
    margin = ""
    if finding.margin is not None:
        margin = f": {abs(finding.margin):.4g}{unit} {'to spare' if finding.margin >= 0 else 'missing'}"
    status = finding.status
    verdict = "does not hold" if status is Status.VIOLATED else status.value
    return f"{finding.worst:.6g}{unit}, {allowed} {finding.bound:.6g}{unit}{margin}: {verdict}"
