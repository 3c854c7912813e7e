"""The controller's own table parser, called from Python: firmware_stub/core/table.c, unmodified.

Built from the sources as they are now where there is a C compiler, else taken from the compiled core that the package
carries.
"""

from __future__ import annotations

import ctypes
import functools
import shutil
import subprocess
import tempfile
from pathlib import Path

from mapper.law.core import RESULTS
from mapper.table.table import CoupledStop, Curve, JointTable, MachineTable, Sensor, Table, Track

_ROOT = Path(__file__).resolve().parents[2]
_CORE = _ROOT / "firmware_stub" / "core"
_SOURCES = ("table.c", "table_read.c", "table_coupled.c", "crc.c", "curve.c", "core.c")

_I32 = ctypes.c_int32


class _Curve(ctypes.Structure):
    _fields_ = [("x", _I32 * 12), ("y", _I32 * 12), ("slope_q16", _I32 * 12), ("count", _I32)]


class _Track(ctypes.Structure):
    _fields_ = [("input", _I32), ("count_min", _I32), ("count_max", _I32), ("curve", _Curve)]


class _Sensor(ctypes.Structure):
    _fields_ = [
        ("track_count", _I32),
        ("track", _Track * 2),
        ("step_max", _I32),
        ("disagreement", _I32),
        ("bad_ticks", _I32),
    ]


def _whole(*names: str) -> list[tuple[str, type[ctypes.c_int32]]]:
    return [(name, _I32) for name in names]


class _Joint(ctypes.Structure):
    _fields_ = [
        *_whole("control", "continuous", "polarity"),
        ("operator_sensor", _Sensor),
        ("position_sensor", _Sensor),
        *_whole("filter_q16", "speed_filter_q16", "deadband", "speed_deadband_mdeg_s", "deadband_scale_q16"),
        ("response", _Curve),
        *_whole("gain_q16", "feed_q16", "match_window_mdeg", "gap_mdeg"),
        ("speed_mdeg_s", (_I32 * 2) * 2),
        *_whole("accelerate_mdeg_s", "decelerate_mdeg_s", "stop_mdeg_s"),
        ("soft_stop_mdeg", _I32 * 2),
        ("brake", _Curve * 2),
        ("flow_per_speed_q16", _Curve * 2),
        ("flow_max_e4", _I32 * 2),
        *_whole("flow_full_ml_min"),
        ("valve", _Curve * 2),
        *_whole("drive_max_e4", "reversal_ticks", "settle_ticks", "still_ticks", "still_mdeg"),
        *_whole("stall_flow_e4", "stall_ticks", "stall_mdeg", "reach_mm"),
    ]


class _Coupled(ctypes.Structure):
    _fields_ = [("joint", _I32 * 2), ("weight_e3", _I32 * 2), *_whole("limit_mdeg"), ("brake", _Curve)]


class CTable(ctypes.Structure):
    """table_t of firmware_stub/core/table.h."""

    _fields_ = [
        ("machine_id", ctypes.c_uint8 * 16),
        ("revision", ctypes.c_uint16),
        ("tool_version", ctypes.c_uint8 * 3),
        ("profile_digest", ctypes.c_uint8 * 32),
        *_whole("joint_count", "tick_us", "tick_hz", "late_us", "pump_ml_min", "power_up_ticks", "discrepancy_ticks"),
        *_whole("reset_min_ticks", "reset_max_ticks", "load_ticks", "match_ticks", "authority_step_q16"),
        *_whole("stop_category", "stop_ticks", "release_ticks", "tip_mdeg_mm_s", "coupled_count"),
        ("coupled", _Coupled * 8),
        ("joint", _Joint * 16),
    ]


class Fault(ctypes.Structure):
    """table_fault_t."""

    _fields_ = [("result", ctypes.c_int), ("section", ctypes.c_uint16), ("field", ctypes.c_uint16)]


@functools.cache
def core_library() -> ctypes.CDLL:
    """The parser, the CRC and the curves as a library."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None:
        library = ctypes.CDLL(str(_ROOT / "mapper" / "law" / "_core.so"))
    else:
        sources = [str(_CORE / name) for name in _SOURCES]
        with tempfile.TemporaryDirectory(prefix="core_table_") as folder:  # a loaded library outlives its file
            target = Path(folder) / "core_table.so"
            command = [compiler, "-std=c99", "-O1", "-Wall", "-Wextra", "-fPIC", "-shared", "-o", str(target), *sources]
            subprocess.run(command, check=True, timeout=60)
            library = ctypes.CDLL(str(target))
    library.table_parse.restype = Fault
    library.table_parse.argtypes = [ctypes.c_char_p, ctypes.c_size_t, ctypes.POINTER(CTable)]
    library.table_is_for.restype = ctypes.c_bool
    library.table_is_for.argtypes = [ctypes.POINTER(CTable), ctypes.c_char_p]
    library.crc32_update.restype = ctypes.c_uint32
    library.crc32_update.argtypes = [ctypes.c_uint32, ctypes.c_char_p, ctypes.c_size_t]
    library.curve_at.restype = _I32
    library.curve_at.argtypes = [ctypes.POINTER(_Curve), _I32]
    library.core_assert_line.restype = ctypes.c_uint32
    return library


def parse(data: bytes) -> tuple[str, int, int, CTable]:
    """table_parse: name of the result, section index, field number, and the live table."""
    table = CTable()
    ctypes.memset(ctypes.byref(table), 0xA5, ctypes.sizeof(table))
    fault = core_library().table_parse(data, len(data), ctypes.byref(table))
    return RESULTS[fault.result], fault.section, fault.field, table


def is_zeroed(table: CTable) -> bool:
    """True when every byte of the live table is zero."""
    return not any(bytes(table))


def _curve(curve: _Curve) -> Curve:
    return Curve(points=tuple(zip(curve.x[: curve.count], curve.y[: curve.count], strict=True)))


def _sensor(sensor: _Sensor) -> Sensor:
    tracks = tuple(
        Track(input=track.input, count_min=track.count_min, count_max=track.count_max, curve=_curve(track.curve))
        for track in sensor.track[: sensor.track_count]
    )
    return Sensor(tracks=tracks, step_max=sensor.step_max, disagreement=sensor.disagreement, bad_ticks=sensor.bad_ticks)


def _joint(joint: _Joint) -> JointTable:
    same = {
        name: getattr(joint, name)
        for name in JointTable.__dataclass_fields__
        if isinstance(getattr(joint, name, None), int)
    }
    same["continuous"] = bool(joint.continuous)
    return JointTable(
        **same,
        operator=_sensor(joint.operator_sensor),
        position=_sensor(joint.position_sensor),
        response=_curve(joint.response),
        speed_reduced_mdeg_s=tuple(joint.speed_mdeg_s[0]),
        speed_full_mdeg_s=tuple(joint.speed_mdeg_s[1]),
        soft_stop_mdeg=tuple(joint.soft_stop_mdeg),
        brake=(_curve(joint.brake[0]), _curve(joint.brake[1])),
        flow_per_speed_q16=(_curve(joint.flow_per_speed_q16[0]), _curve(joint.flow_per_speed_q16[1])),
        flow_max_e4=tuple(joint.flow_max_e4),
        valve=(_curve(joint.valve[0]), _curve(joint.valve[1])),
    )


def _coupled(stop: _Coupled) -> CoupledStop:
    return CoupledStop(
        joints=tuple(stop.joint),
        weights_e3=tuple(stop.weight_e3),
        limit_mdeg=stop.limit_mdeg,
        brake=_curve(stop.brake),
    )


def as_table(table: CTable) -> Table:
    """The live table as the Python dataclass, for comparison."""
    machine = MachineTable(**{name: getattr(table, name) for name in MachineTable.__dataclass_fields__})
    return Table(
        machine_id=bytes(table.machine_id).rstrip(b"\0").decode("ascii"),
        revision=table.revision,
        tool_version=tuple(table.tool_version),
        profile_digest=bytes(table.profile_digest),
        machine=machine,
        joints=tuple(_joint(joint) for joint in table.joint[: table.joint_count]),
        coupled=tuple(_coupled(stop) for stop in table.coupled[: table.coupled_count]),
    )
