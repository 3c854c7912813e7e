"""ctypes binding of stiff.c: one stop of one joint, compiled."""

from __future__ import annotations

import ctypes
import functools

import numpy as np

from mapper.law import CoreError, load_core
from mapper.replay.stiff import (
    BRAKE_RAD_S,
    CYLINDER,
    GRAVITY_MAX,
    ROW,
    STANDS_RAD_S,
    Side,
    StiffJoint,
    StiffResult,
    StiffStart,
)

_SIDE_DOUBLES = (
    ("area", "area"),
    ("way", "way"),
    ("length_at", "length_at_m"),
    ("dead", "dead_m3"),
    ("least", "least_m3"),
    ("shut", "shut_pa"),
    ("ratio", "ratio"),
    ("range", "range_pa"),
    ("seat_edge", "seat_edge"),
    ("fill", "fill_edge"),
    ("leak", "leak_per_pa"),
)
_JOINT_INTS = ("cylinder", "continuous", "compensated", "load_sensing", "steps_per_tick", "dead_steps")
_JOINT_DOUBLES = (
    ("step", "step_s"),
    ("alpha_half", "alpha_half"),
    ("alpha", "alpha"),
    ("full_flow", "full_flow_m3_s"),
    ("edge", "edge"),
    ("soft2", "soft_pa2"),
    ("product", "product_m2"),
    ("squares", "squares_m2"),
    ("included", "included_rad"),
    ("sense", "sense"),
    ("cross_leak", "cross_leak_per_pa"),
    ("bulk", "bulk_pa"),
    ("damping", "damping_s"),
    ("supply", "supply_pa"),
    ("margin", "margin_pa"),
    ("tank", "tank_pa"),
    ("dump", "dump_pa"),
    ("dump_rate", "dump_per_s"),
    ("driving", "driving"),
    ("overrunning", "overrunning"),
    ("friction_speed", "friction_rad_s"),
    ("inertia", "inertia_kg_m2"),
    ("stands", None),
    ("brake", "brake_n_m"),
    ("brake_speed", None),
    ("gravity_at", "gravity_at_rad"),
    ("gravity_per_rad", "gravity_per_rad"),
    ("lower", "lower_rad"),
    ("upper", "upper_rad"),
)
"""Fields of the C structures in their order, and where their values are in the dataclasses."""

_Pair = ctypes.c_double * 2


class _Side(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_double) for name, _ in _SIDE_DOUBLES),
        ("yield_at", _Pair),
        ("yield_slope", _Pair),
        ("yield_bit", ctypes.c_int32 * 2),
        ("seat", ctypes.c_int32),
        ("spare", ctypes.c_int32),
    )


class _Joint(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_int32) for name in (*_JOINT_INTS, "gravity_count", "spare")),
        *((name, ctypes.c_double) for name, _ in _JOINT_DOUBLES),
        ("gravity", ctypes.c_double * GRAVITY_MAX),
        ("side", _Side * 2),
    )


class _Motion(ctypes.Structure):
    _fields_ = (("q", ctypes.c_double), ("w", ctypes.c_double), ("e", _Pair))


class _Run(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_void_p) for name in ("joint", "share", "factor", "rows")),
        ("now", _Motion),
        ("lag", ctypes.c_double),
        ("peak", _Pair),
        *((name, ctypes.c_double) for name in ("highest", "lowest", "turned", "moving")),
        *((name, ctypes.c_int32) for name in ("ticks", "off_tick", "quiet_ticks", "happened", "stood", "spare")),
    )


@functools.cache
def _library() -> ctypes.CDLL:
    library = load_core().library
    library.stiff_bytes.restype = ctypes.c_size_t
    library.stiff_bytes.argtypes = [ctypes.c_int32]
    library.stiff_run.argtypes = [ctypes.c_void_p]
    library.stiff_run.restype = None
    for index, layout in enumerate((_Joint, _Run, _Side)):
        if library.stiff_bytes(index) != ctypes.sizeof(layout):
            raise CoreError(
                "the compiled stiff model has another layout than stiff.py; run `python firmware_stub/build.py`"
            )
    return library


def _fill_side(target: _Side, side: Side) -> None:
    for name, source in _SIDE_DOUBLES:
        setattr(target, name, getattr(side, source))
    target.seat = side.seat
    for index, one in enumerate(side.yields):
        target.yield_at[index], target.yield_slope[index], target.yield_bit[index] = one.pa, one.per_pa, one.bit


def _compiled(joint: StiffJoint) -> _Joint:
    target = _Joint()
    target.cylinder = int(joint.kind == CYLINDER)
    for name in _JOINT_INTS[1:]:
        setattr(target, name, int(getattr(joint, name)))
    for name, source in _JOINT_DOUBLES:
        if source is not None:
            setattr(target, name, getattr(joint, source))
    target.stands, target.brake_speed = STANDS_RAD_S, BRAKE_RAD_S
    target.gravity_count = len(joint.gravity_n_m)
    target.gravity[: len(joint.gravity_n_m)] = joint.gravity_n_m
    for index, side in enumerate(joint.side):
        _fill_side(target.side[index], side)
    return target


def run_stiff_compiled(joint: StiffJoint, start: StiffStart) -> StiffResult:
    """The same as `run_stiff`, to the last bit.

    Raises:
        ValueError: shares and factors do not fit each other, or there are too many nodes of gravity.
    """
    ticks = len(start.factor)
    if len(start.share) != ticks + 1:
        raise ValueError(f"{len(start.share)} shares for {ticks} ticks; one more than ticks is needed")
    if not 1 <= len(joint.gravity_n_m) <= GRAVITY_MAX:
        raise ValueError(f"{len(joint.gravity_n_m)} nodes of gravity; 1 to {GRAVITY_MAX} are allowed")
    own = _compiled(joint)
    share = np.ascontiguousarray(start.share, dtype=np.float64)
    factor = np.ascontiguousarray(start.factor, dtype=np.float64)
    rows = np.zeros((ticks, ROW))
    run = _Run()
    run.joint = ctypes.addressof(own)
    run.share, run.factor, run.rows = share.ctypes.data, factor.ctypes.data, rows.ctypes.data
    run.now.q, run.now.w = start.q_rad, start.w_rad_s
    run.now.e[0], run.now.e[1] = start.squeezed_m3
    run.lag, run.turned = start.lag, -1.0
    run.highest = run.lowest = start.q_rad
    run.ticks, run.off_tick, run.quiet_ticks = ticks, start.off_tick, start.quiet_ticks
    _library().stiff_run(ctypes.byref(run))
    return StiffResult(
        ticks=run.ticks,
        peak_pa=[run.peak[0], run.peak[1]],
        highest_rad=run.highest,
        lowest_rad=run.lowest,
        turned_s=run.turned,
        moving_s=run.moving,
        happened=run.happened,
        stood=bool(run.stood),
        rows=rows[: run.ticks].copy(),
    )
