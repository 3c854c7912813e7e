"""Limits of the sensors: a cut wire and a short are seen, every implausible count stops the arm in time, two tracks
watch each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from mapper.check.context import MDEG, Ints, JointContext, judge, not_shown
from mapper.check.finding import Evidence, Finding
from mapper.check.law.pilot import Running, drives, run_each
from mapper.law import CAUSES, STATES
from mapper.profile.profile import Sensor as ProfileSensor
from mapper.table.table import Sensor

_FAULT = STATES.index("fault")
_SENSOR_CAUSES = tuple(index for index, cause in enumerate(CAUSES) if cause.endswith(("_counts", "_disagreement")))
_GRAVITY_AXIS = "pitch"
_MEDIAN_TICKS = 1  # a step of a reading gets through the median of three a tick later
# A wire that is cut or shorted reads near an end of the converter's range, not at it: offset, a pull resistor, leaking
# current. NAMUR NE 43 leaves 0.2 mA of 20 mA between a failure (3.6) and a value (3.8), and ratiometric sensors take
# less than 4 % and more than 96 % of their supply for a failure (both seen second hand). 2 % is half of those 4 %: the
# other half is left to the sensor's own ends. That it is half is common practice, no source.
_GAP_LEAST = Fraction(2, 100)
_SensorPair = tuple[str, Sensor, ProfileSensor, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Window:
    """The plausible window of one track, and the gap below or above it, whichever is smaller, in counts."""

    name: str
    key: str
    gap: int
    least: int
    count_max: int

    @property
    def advice(self) -> str:
        return f"{self.key}: lower at least {self.least} and upper at most {self.count_max - self.least}"


def _windows(context: JointContext) -> tuple[_Window, ...]:
    count_max = context.profile.controller.count_max
    return tuple(
        _Window(
            name=f"{name} track {number + 1}",
            key=f"{context.key}.{name}.tracks[{number}].window",
            gap=min(track.count_min, count_max - track.count_max),
            least=math.ceil(_GAP_LEAST * count_max),
            count_max=count_max,
        )
        for name, sensor, _, _ in _sensors(context)
        for number, track in enumerate(sensor.tracks)
    )


def sensor_window(context: JointContext, running: Running) -> Finding:
    """Room for a broken wire at both ends of every window; and every count outside every window, held from a moving
    arm: fault and zero drive in time.
    """
    if not running.moving:
        return _not_running(context, "sensor_window")
    cases, faults, unseen = 0, [], 0
    count_max = context.profile.controller.count_max
    counts = np.arange(count_max + 1, dtype=np.int32)
    for name, sensor, _, _ in _sensors(context):
        for number, track in enumerate(sensor.tracks):
            outside = counts[(counts < track.count_min) | (counts > track.count_max)]
            cases += outside.size
            seen = _stops(context, running, track.input, outside, sensor.bad_ticks)
            unseen += int(np.count_nonzero(~seen))
            faults += [
                f"{name} track {number + 1}: count {count} does not stop the arm in time"
                for count in outside[~seen][:1]
            ]
    windows = _windows(context)
    least = windows[0].least
    narrow = [window for window in windows if window.gap < least]
    faults += [
        f"{window.name}: a broken wire that reads {window.gap} counts from an end is a value" for window in narrow
    ]
    worst_ms, bound_ms, slow = _slowest(context, _sensors(context), 0)
    worst, bound, unit = _worst_window((min(window.gap for window in windows), least), unseen, (worst_ms, bound_ms))
    fastest = max(context.table.speed_full_mdeg_s) / MDEG * max(context.gain_most(0), context.gain_most(1))
    position_ms = context.table.position.bad_ticks * context.tick_s * 1000
    return judge(
        context,
        "sensor_window",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=worst,
        bound=bound,
        unit=unit,
        at_least=unit == "counts",
        holds=not faults and not slow,
        detail=f"gap between window and end of the counts, {', '.join(f'{one.name} {one.gap}' for one in windows)}, at "
        f"least {least} ({float(_GAP_LEAST):.0%} of {count_max}: a broken wire floats near an end); every count "
        f"0..{count_max} outside each window, held from a moving arm, through the whole compiled law: fault and zero "
        f"drives within {worst_ms:g} ms; a lost position is {position_ms:g} ms old by then, "
        f"{fastest * position_ms / 1000:.2f} deg at full speed" + "".join(f"; {text}" for text in faults + slow),
        advice="; ".join(window.advice for window in narrow)
        or "compile the table again: its fault times are not the profile's",
    )


def _worst_window(gap: tuple[int, int], unseen: int, times_ms: tuple[float, float]) -> tuple[float, float, str]:
    """Worst, bound and unit of what is wrong, and of the gap when nothing is."""
    if gap[0] < gap[1]:
        return gap[0], gap[1], "counts"
    if unseen:
        return unseen, 0, "unseen"
    if times_ms[0] > times_ms[1]:
        return *times_ms, "ms"
    return gap[0], gap[1], "counts"


def _slowest(
    context: JointContext, sensors: tuple[_SensorPair, ...], more_ticks: int
) -> tuple[float, float, list[str]]:
    """Time to a fault and time allowed (ms) of the sensor that has the least to spare; and the sensors that are
    late.
    """
    times = []
    for name, sensor, own, _ in sensors:
        taken_s = Fraction((sensor.bad_ticks + more_ticks) * context.machine.tick_us, 1_000_000)
        allowed_s = own.fault_time_s + Fraction(more_ticks * context.machine.tick_us, 1_000_000)
        times.append((allowed_s - taken_s, taken_s, allowed_s, name))
    _, taken_s, allowed_s, _ = min(times)
    late = [f"the {name} sensor takes longer than its fault_time" for spare_s, _, _, name in times if spare_s < 0]
    return float(taken_s) * 1000, float(allowed_s) * 1000, late


def track_disagreement(context: JointContext, running: Running) -> Finding | None:
    """Two tracks: every count of one that disagrees with the other by more than the limit stops the arm.

    None where no sensor of the joint has a second track.
    """
    pairs = tuple(pair for pair in _sensors(context) if len(pair[1].tracks) == 2)
    if not pairs:
        return None
    if not running.moving:
        return _not_running(context, "track_disagreement")
    cases, faults, unseen = 0, [], 0
    for name, sensor, _, first in pairs:
        for number, track in enumerate(sensor.tracks):
            counts = np.arange(track.count_min, track.count_max + 1, dtype=np.int32)
            values = context.live.curve(context.index, first + number, counts)
            at = running.row[[2 + sensor.tracks[1 - number].input]]
            other = int(context.live.curve(context.index, first + 1 - number, at)[0])
            apart = counts[np.abs(_difference(context, name, values, other)) > sensor.disagreement]
            seen = _stops(context, running, track.input, apart, sensor.bad_ticks + _MEDIAN_TICKS)
            cases += apart.size
            unseen += int(np.count_nonzero(~seen))
            for count in apart[~seen][:1]:
                faults.append(f"{name} track {number + 1}: count {count} does not stop the arm in time")
    worst_ms, bound_ms, slow = _slowest(context, pairs, _MEDIAN_TICKS)
    return judge(
        context,
        "track_disagreement",
        evidence=Evidence.EXHAUSTIVE,
        cases=cases,
        worst=unseen or worst_ms,
        bound=0 if unseen else bound_ms,
        unit="unseen" if unseen else "ms",
        margin=False,
        holds=not faults and not slow,
        detail="every count of one track that is farther from the other than the limit, held from a moving arm, "
        f"through the whole compiled law: fault and zero drives within {worst_ms:g} ms, a tick of it for the median"
        + "".join(f"; {text}" for text in faults + slow),
        advice="compile the table again; the law does not notice in time that the tracks disagree",
    )


def two_tracks(context: JointContext) -> Finding | None:
    """A joint that carries weight needs two position tracks with opposite slopes, or both can be wrong the same way."""
    if context.joint.axis != _GRAVITY_AXIS:
        return None
    ends = [(min(track.points), max(track.points)) for track in context.joint.position.tracks]
    rises = [last[1] > first[1] for first, last in ends]
    opposite = len(rises) == 2 and rises[0] != rises[1]
    return judge(
        context,
        "two_tracks",
        evidence=Evidence.COMPUTED,
        cases=len(rises),
        worst=len(set(rises)),
        bound=2,
        unit="slopes",
        margin=False,
        holds=opposite,
        detail=f"a joint that carries weight: {len(rises)} position track{'s' if len(rises) != 1 else ''}"
        + (", of opposite slopes, so that one supply fault cannot move both the same way" if opposite else ""),
        advice=f"{context.key}.position: give it a second track whose counts fall where the first one's rise",
    )


def _sensors(context: JointContext) -> tuple[_SensorPair, ...]:
    """Name, compiled, as the profile says it, curve number of its first track."""
    return (
        ("operator", context.table.operator, context.joint.operator.sensor, 0),
        ("position", context.table.position, context.joint.position, 2),
    )


def _stops(context: JointContext, running: Running, channel: int, counts: Ints, ticks: int) -> np.ndarray:
    """Which of the counts, on one input, have led to a sensor fault of this joint with every drive at 0 after so many
    ticks.
    """
    rows = np.tile(running.row, (counts.size, 1))
    rows[:, 2 + channel] = counts
    out = run_each(context.live, running.state, rows, ticks)
    zero = np.all(drives(out, len(context.profile.joints)) == 0, axis=1) & (out[:, 4] == 0)
    named = np.isin(out[:, 1], _SENSOR_CAUSES) & (out[:, 2] == context.index)
    return np.asarray((out[:, 0] == _FAULT) & zero & named)


def _difference(context: JointContext, name: str, values: Ints, other: int) -> Ints:
    """Rule L2w's difference."""
    apart = values.astype(np.int64) - other
    if context.table.continuous and name == "position":
        apart = (apart + 180_000) % 360_000 - 180_000
    return apart.astype(np.int32)


def _not_running(context: JointContext, limit: str) -> Finding:
    return not_shown(
        context,
        limit,
        unit="ms",
        detail="the law could not be brought to running with every joint moving, so the fault could not be tried from "
        "there",
        advice="see whether every operator input reaches poses inside the soft stops and every speed limit asks for "
        "some flow",
    )
