"""ctypes binding of plant.c: its structures, filled from the numbers of parameters.py, and its loop over a whole
recording."""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from mapper.law import CoreError, LawState, LiveTable, load_core
from mapper.replay.faults import CountFault
from mapper.replay.parameters import DELAY_MAX, POINTS_MAX, PlantJoint, PlantParameters, ShareCurve, TrackCurve, Way
from mapper.replay.plant import Plant

JOINTS_MAX = 16
HEAD_DOUBLES = 4
JOINT_DOUBLES = 5
IN_INTS = 66
OUT_INTS = 121

Ints = NDArray[np.int32]
Floats = NDArray[np.float64]

_Points = ctypes.c_double * POINTS_MAX
_Pair = ctypes.c_double * 2


class _Track(ctypes.Structure):
    _fields_ = (
        ("input", ctypes.c_int32),
        ("count", ctypes.c_int32),
        ("value", _Points),
        ("at", _Points),
        ("slope", _Points),
    )


_OF_WAY = {
    "speed_scale": "speed_scale",
    "driving": "driving",
    "overrunning": "overrunning",
    "back": "back_pa",
    "need": "need_pa",
    "out": "out_pa",
    "edge_per": "edge_per_pa",
    "both_per": "both_per_pa",
    "ahead_per": "ahead_per_pa",
    "counter": "counter_pa",
    "counter_share": "counter_share",
    "counter_need": "counter_need_pa",
    "counter_out": "counter_out_pa",
    "counter_per": "counter_per_pa",
}
"""Field in C: attribute of `Way`; likewise below of `PlantJoint`."""
_INTS_OF_JOINT = {
    "kind": "kind",
    "continuous": "continuous",
    "polarity": "polarity",
    "dead_ticks": "dead_ticks",
    "compensated": "compensated",
    "weighed": "weighed",
}
_DOUBLES_OF_JOINT = {
    "play": "play",
    "alpha": "alpha",
    "full_flow": "full_flow_m3_s",
    "product": "pivot_product_m2",
    "squares": "pivot_squares_m2",
    "included_cosine": "included_cosine",
    "included_sine": "included_sine",
    "sense": "sense",
    "torque": "torque_n_m",
    "lower": "lower_rad",
    "upper": "upper_rad",
}


class _Way(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_double) for name in _OF_WAY),
        ("holds", ctypes.c_int32),
        ("spare", ctypes.c_int32),
    )


class _Joint(ctypes.Structure):
    _fields_ = (
        ("kind", ctypes.c_int32),
        ("continuous", ctypes.c_int32),
        ("polarity", ctypes.c_int32),
        ("dead_ticks", ctypes.c_int32),
        ("track_count", ctypes.c_int32),
        ("compensated", ctypes.c_int32),
        ("weighed", ctypes.c_int32),
        ("side_count", ctypes.c_int32 * 2),
        ("side_x", _Points * 2),
        ("side_y", _Points * 2),
        ("side_slope", _Points * 2),
        ("play", ctypes.c_double),
        ("alpha", ctypes.c_double),
        ("gain", _Pair),
        ("full_flow", ctypes.c_double),
        ("product", ctypes.c_double),
        ("squares", ctypes.c_double),
        ("included_cosine", ctypes.c_double),
        ("included_sine", ctypes.c_double),
        ("sense", ctypes.c_double),
        ("torque", ctypes.c_double),
        ("lower", ctypes.c_double),
        ("upper", ctypes.c_double),
        ("way", _Way * 2),
        ("track", _Track * 2),
    )


class _Link(ctypes.Structure):
    _fields_ = (
        ("joint", ctypes.c_int32),
        ("axis", ctypes.c_int32),
        ("along", ctypes.c_double),
        ("up", ctypes.c_double),
    )


class _Plant(ctypes.Structure):
    _fields_ = (
        ("joint_count", ctypes.c_int32),
        ("link_count", ctypes.c_int32),
        ("load_sensing", ctypes.c_int32),
        ("spare", ctypes.c_int32),
        ("tick", ctypes.c_double),
        ("pump_flow", ctypes.c_double),
        ("relief", ctypes.c_double),
        ("margin", ctypes.c_double),
        ("joint", _Joint * JOINTS_MAX),
        ("link", _Link * JOINTS_MAX),
    )


class _JointState(ctypes.Structure):
    _fields_ = (
        ("spool", ctypes.c_double),
        ("lag", ctypes.c_double),
        ("position", ctypes.c_double),
        ("angle", ctypes.c_double),
        ("cosine", ctypes.c_double),
        ("sine", ctypes.c_double),
        ("delay", ctypes.c_double * DELAY_MAX),
        ("delay_at", ctypes.c_int32),
        ("spare", ctypes.c_int32),
    )


class _PlantState(ctypes.Structure):
    _fields_ = (("joint", _JointState * JOINTS_MAX),)


class _Fault(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_int32) for name in ("first_tick", "end_tick", "input", "kind", "count"))


class _Run(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_void_p) for name in ("table", "law", "plant", "state", "faults", "inputs", "out", "motion")),
        ("ticks", ctypes.c_int64),
        ("fault_count", ctypes.c_int32),
        ("first_tick", ctypes.c_int32),
    )


@functools.cache
def _library() -> ctypes.CDLL:
    library = load_core().library
    library.plant_bytes.restype = ctypes.c_size_t
    library.plant_bytes.argtypes = [ctypes.c_int32]
    library.plant_counts.argtypes = [ctypes.c_void_p] * 3
    library.plant_counts.restype = None
    library.plant_step.argtypes = [ctypes.c_void_p] * 4
    library.plant_step.restype = None
    library.plant_replay.argtypes = [ctypes.c_void_p]
    library.plant_replay.restype = None
    for index, layout in enumerate((_Plant, _PlantState, _Fault, _Run)):
        if library.plant_bytes(index) != ctypes.sizeof(layout):
            raise CoreError("the compiled plant has another layout than plant.py; run `python firmware_stub/build.py`")
    return library


def _fill(target: ctypes.Array[ctypes.c_double], values: Sequence[float]) -> None:
    for index, value in enumerate(values):
        target[index] = value


def _fill_track(target: _Track, track: TrackCurve) -> None:
    target.input, target.count = track.input_index, len(track.value)
    _fill(target.value, track.value)
    _fill(target.at, track.count)
    _fill(target.slope, track.slope)


def _fill_side(target: _Joint, index: int, side: ShareCurve) -> None:
    target.side_count[index] = len(side.x)
    _fill(target.side_x[index], side.x)
    _fill(target.side_y[index], side.y)
    _fill(target.side_slope[index], side.slope)


def _fill_way(target: _Way, way: Way) -> None:
    for name, attribute in _OF_WAY.items():
        setattr(target, name, getattr(way, attribute))
    target.holds = way.holds


def _fill_joint(target: _Joint, joint: PlantJoint) -> None:
    for name, attribute in _INTS_OF_JOINT.items():
        setattr(target, name, int(getattr(joint, attribute)))
    for name, attribute in _DOUBLES_OF_JOINT.items():
        setattr(target, name, getattr(joint, attribute))
    _fill(target.gain, joint.gain)
    for index in range(2):
        _fill_side(target, index, joint.side[index])
        _fill_way(target.way[index], joint.way[index])
    target.track_count = len(joint.tracks)
    for index, track in enumerate(joint.tracks):
        _fill_track(target.track[index], track)


class CompiledPlant:
    """The compiled plant in motion, with the same start as `Plant`. Used for whole recordings."""

    def __init__(self, parameters: PlantParameters, start_rad: Sequence[float]) -> None:
        self._library = _library()
        self.joint_count = len(parameters.joints)
        self._plant = _Plant()
        self._plant.joint_count = self.joint_count
        self._plant.tick, self._plant.pump_flow = parameters.tick_s, parameters.pump_flow_m3_s
        self._plant.link_count = len(parameters.links)
        for index, link in enumerate(parameters.links):
            self._plant.link[index] = _Link(link.joint_index, link.axis, link.along_n_m, link.up_n_m)
        self._plant.load_sensing = int(parameters.load_sensing)
        self._plant.relief, self._plant.margin = parameters.relief_pa, parameters.margin_pa
        self._state = _PlantState()
        for index, position in enumerate(Plant(parameters, start_rad).position_rad):
            _fill_joint(self._plant.joint[index], parameters.joints[index])
            self._state.joint[index].position = position
            self._state.joint[index].cosine = 1.0  # of the angle 0 that stands beside it

    @property
    def motion_doubles(self) -> int:
        """Doubles of motion in a tick: flow asked and given in m3/s, the pump's factor, its pressure in Pa; then for
        each joint position in deg, speed in deg/s, flow in m3/s, inlet pressure in Pa, pressure factor. See `Plant`.
        """
        return HEAD_DOUBLES + JOINT_DOUBLES * self.joint_count

    def step(self, drives_e4: Sequence[int]) -> tuple[dict[int, int], Floats]:
        """One tick: the counts after it (by input index) and the motion row. For tests against plant.py."""
        drives = np.array(drives_e4, dtype=np.int32)
        motion = np.zeros(self.motion_doubles)
        self._library.plant_step(
            ctypes.byref(self._plant), ctypes.byref(self._state), drives.ctypes.data, motion.ctypes.data
        )
        counts = np.full(64, -1, dtype=np.int32)
        self._library.plant_counts(ctypes.byref(self._plant), ctypes.byref(self._state), counts.ctypes.data)
        return {int(index): int(counts[index]) for index in np.flatnonzero(counts >= 0)}, motion

    def position_rad(self) -> tuple[float, ...]:
        """Where each joint is."""
        return tuple(float(self._state.joint[index].position) for index in range(self.joint_count))

    def replay(
        self,
        live: LiveTable,
        law: LawState,
        inputs: Ints,
        faults: Sequence[CountFault] = (),
        out: Ints | None = None,
        motion: Floats | None = None,
    ) -> None:
        """The law and the plant, in turn, over every row of `inputs`; law and plant go on from where they are.

        Args:
            inputs: (n, 66) int32, elapsed_us, digital, counts; position counts and faulty counts are filled in here.
            out: (n, 121) int32 for the law's outputs, or None when they need not be kept.
            motion: (n, motion_doubles) for the plant's motion, or None.
        """
        _check(inputs, np.int32, IN_INTS, len(inputs))
        if out is not None:
            _check(out, np.int32, OUT_INTS, len(inputs))
        if motion is not None:
            _check(motion, np.float64, self.motion_doubles, len(inputs))
        block = (_Fault * max(1, len(faults)))()
        for index, fault in enumerate(faults):
            block[index] = _Fault(fault.first_tick, fault.end_tick, fault.input_index, int(fault.stuck), fault.count)
        run = _Run(
            ctypes.addressof(live.buffer),
            ctypes.addressof(law.buffer),
            ctypes.addressof(self._plant),
            ctypes.addressof(self._state),
            ctypes.addressof(block),
            inputs.ctypes.data,
            None if out is None else out.ctypes.data,
            None if motion is None else motion.ctypes.data,
            len(inputs),
            len(faults),
            0,
        )
        self._library.plant_replay(ctypes.byref(run))


def _check(array: NDArray[np.generic], dtype: type, width: int, rows: int) -> None:
    if array.dtype != dtype or array.shape != (rows, width) or not array.flags.c_contiguous:
        raise ValueError(f"an array of shape ({rows}, {width}), {dtype.__name__}, C order is needed, not {array.shape}")
