"""Binding to the compiled core (ctypes; the interpreter lock is released in every call).

`load_core()` loads the library once. Where the C sources lie beside the package (a checkout), the digest that was built
into the library is compared with theirs, so that a stale library is noticed and said.
"""

from __future__ import annotations

import ctypes
import functools
import runpy
from pathlib import Path

import numpy as np
import numpy.typing as npt

from mapper.errors import MapperError

IN_INTS = 66
OUT_HEAD = 9
OUT_JOINT = 7
OUT_INTS = OUT_HEAD + OUT_JOINT * 16
OUT_HEAD_NAMES = (
    "state",
    "cause",
    "cause_joint",
    "mode",
    "enable",
    "authority_q16",
    "share_q16",
    "waits_for",
    "waits_joint",
)
OUT_JOINT_NAMES = ("target", "position_mdeg", "wanted_mdeg_s", "speed_mdeg_s", "flow_e4", "drive_e4", "flags")

CURVES = {
    "operator_1": 0,
    "operator_2": 1,
    "position_1": 2,
    "position_2": 3,
    "response": 4,
    "brake_positive": 5,
    "brake_negative": 6,
    "flow_per_speed_positive": 7,
    "flow_per_speed_negative": 8,
    "valve_positive": 9,
    "valve_negative": 10,
}

RESULTS = (
    "ok",
    "too_short",
    "bad_magic",
    "other_layout",
    "bad_length",
    "bad_crc",
    "bad_structure",
    "bad_value",
    "other_machine",
)

Ints = npt.NDArray[np.int32]
_LIBRARY = Path(__file__).with_name("_core.so")
_BUILD = Path(__file__).resolve().parent.parent.parent / "firmware_stub" / "build.py"
_INTS = np.ctypeslib.ndpointer(dtype=np.int32, flags="C_CONTIGUOUS")


class CoreError(MapperError):
    """The compiled core is missing or does not belong to the sources beside it."""


class TableRefused(MapperError):
    """The core's own validation refused the table.

    Attributes:
        result: name from RESULTS.
        section: its index, 65535 the header.
        field: its number in firmware_stub/README.md.
    """

    def __init__(self, result: str, section: int, field: int) -> None:
        where = "header" if section == 65535 else f"section {section}, field {field}"
        super().__init__(
            f"the control law refuses this table: {result} at {where}; "
            "firmware_stub/README.md lists what every field may hold; compile the table again from a checked profile",
            exit_code=1,
        )
        self.result = result
        self.section = section
        self.field = field


class LawState:
    """State of the law between ticks: an opaque block; `bytes(state)` copies it, `state.load(data)` puts it back."""

    def __init__(self, byte_count: int) -> None:
        self.buffer = (ctypes.c_uint8 * byte_count)()

    def __bytes__(self) -> bytes:
        return bytes(self.buffer)

    def load(self, data: bytes) -> None:
        """Raises ValueError when `data` has not the block's size."""
        if len(data) != len(self.buffer):
            raise ValueError(f"a state has {len(self.buffer)} bytes, not {len(data)}")
        ctypes.memmove(self.buffer, data, len(data))


def _contiguous(values: npt.ArrayLike) -> Ints:
    return np.ascontiguousarray(values, dtype=np.int32)


class LiveTable:
    """A table that the core has validated, and the stages of the law on it, for whole arrays a call.

    Arrays are int32; values of one call have one shape (1-D, where nothing else is said). Units as in table.h.
    """

    def __init__(self, core: Core, buffer: ctypes.Array[ctypes.c_uint8]) -> None:
        self._core = core
        self.buffer = buffer
        self.joint_count = int(core.library.bench_joint_count(buffer))
        self.coupled_count = int(core.library.bench_coupled_count(buffer))

    def start(self) -> LawState:
        """State as at power-up."""
        state = LawState(self._core.state_byte_count)
        self._core.library.bench_start(state.buffer)
        return state

    def run(self, state: LawState, inputs: Ints) -> Ints:
        """Ticks of the whole law.

        Args:
            state: changed in place.
            inputs: (n, 66): elapsed_us, digital inputs, counts of the 64 analog channels.

        Returns:
            (n, 121): OUT_HEAD_NAMES, then OUT_JOINT_NAMES for each of 16 joints.
        """
        inputs = _contiguous(inputs)
        if inputs.ndim != 2 or inputs.shape[1] != IN_INTS:
            raise ValueError(f"inputs must have the shape (n, {IN_INTS}), not {inputs.shape}")
        out = np.empty((inputs.shape[0], OUT_INTS), dtype=np.int32)
        self._core.library.bench_run(self.buffer, state.buffer, inputs, out, inputs.shape[0])
        return out

    def _map(
        self, function: str, head: tuple[int, ...], arrays: tuple[npt.ArrayLike, ...], outputs: int
    ) -> tuple[Ints, ...]:
        values = tuple(_contiguous(array) for array in arrays)
        if len({value.shape for value in values}) != 1 or values[0].ndim != 1:
            raise ValueError("all arrays of a call must be 1-D and equally long")
        results = tuple(np.empty_like(values[0]) for _ in range(outputs))
        getattr(self._core.library, function)(self.buffer, *head, *values, *results, values[0].shape[0])
        return results

    def curve(self, joint: int, curve: int, x: npt.ArrayLike) -> Ints:
        """Rule L2 on one curve of CURVES."""
        if not 0 <= curve < len(CURVES):
            raise ValueError(f"curve {curve} is not one of 0..{len(CURVES) - 1}")
        return self._map("bench_curve", (joint, curve), (x,), 1)[0]

    def valve(self, joint: int, direction: int, flow: npt.ArrayLike) -> Ints:
        """Rule L8: drive (e4, signed) for flows (e4, 0..10000) in `direction` (+1 or -1)."""
        return self._map("bench_valve", (joint, direction), (flow,), 1)[0]

    def target_speed(self, joint: int, mode: int, value: npt.ArrayLike, operator_speed: npt.ArrayLike) -> Ints:
        """Rule L5: error (mdeg) and operator speed (mdeg/s), or share (e4), to target speed (mdeg/s)."""
        return self._map("bench_target_speed", (joint, mode), (value, operator_speed), 1)[0]

    def share(self, joint: int, demand: npt.ArrayLike) -> tuple[Ints, Ints]:
        """Rule L4c: demand (e4) to share (e4) and whether the lever is at rest (0 or 1)."""
        share, at_rest = self._map("bench_share", (joint,), (demand,), 2)
        return share, at_rest

    def limit(self, joint: int, mode: int, speed: npt.ArrayLike, position: npt.ArrayLike) -> Ints:
        """Rules L6a and L6b: speed (mdeg/s) at position (mdeg) to limited speed."""
        return self._map("bench_limit", (joint, mode), (speed, position), 1)[0]

    def ramp(self, joint: int, stopping: bool, w: npt.ArrayLike, t: npt.ArrayLike) -> Ints:
        """Rules L7a and L7b, long at zero, no last direction: from speed w to target t (mdeg/s)."""
        return self._map("bench_ramp", (joint, int(stopping)), (w, t), 1)[0]

    def flow(self, joint: int, speed: npt.ArrayLike, position: npt.ArrayLike) -> tuple[Ints, Ints]:
        """Rule L7d: speed (mdeg/s) at position (mdeg) to flow (e4) and the speed after the clamp."""
        flow, clamped = self._map("bench_flow", (joint,), (speed, position), 2)
        return flow, clamped

    def _coupled_stop(self, stop: int) -> int:
        if not 0 <= stop < self.coupled_count:
            raise ValueError(f"coupled stop {stop} is not one of the table's {self.coupled_count}")
        return stop

    def coupled_brake(self, stop: int, room: npt.ArrayLike) -> Ints:
        """Rule L2 on the braking curve of coupled stop `stop`: room (mdeg) to cap (mdeg/s), both of the weighted sum.

        Raises:
            ValueError: the table has no such stop.
        """
        return self._map("bench_coupled_brake", (self._coupled_stop(stop),), (room,), 1)[0]

    def coupled(
        self,
        stop: int,
        position: tuple[npt.ArrayLike, npt.ArrayLike],
        speed: tuple[npt.ArrayLike, npt.ArrayLike],
    ) -> tuple[Ints, Ints]:
        """Rules L6c and L7f for coupled stop `stop`: position (mdeg), speed (mdeg/s) of its joints to lowered speed.

        Raises:
            ValueError: the table has no such stop.
        """
        lowered_a, lowered_b = self._map("bench_coupled", (self._coupled_stop(stop),), (*position, *speed), 2)
        return lowered_a, lowered_b

    def tip_scale(self, speed: npt.ArrayLike) -> Ints:
        """Rule L6f in the reduced mode: speeds (n, joints), mdeg/s, to lowered speeds."""
        return self._tip(0, speed, speed)

    def tip_hold(self, before: npt.ArrayLike, speed: npt.ArrayLike) -> Ints:
        """Rule L7g in the reduced mode: speeds of the tick before, ramped speeds (n, joints) to lowered ones."""
        return self._tip(1, before, speed)

    def _tip(self, hold: int, before: npt.ArrayLike, speed: npt.ArrayLike) -> Ints:
        first, second = _contiguous(before), _contiguous(speed)
        if first.shape != second.shape or second.ndim != 2 or second.shape[1] != self.joint_count:
            raise ValueError(
                f"speeds must have the shape (n, {self.joint_count}), not {first.shape} and {second.shape}"
            )
        lowered = np.empty_like(second)
        self._core.library.bench_tip(self.buffer, hold, first, second, lowered, second.shape[0])
        return lowered


class Core:
    """The loaded library. `library` is the ctypes handle, for the plant's compiled loop."""

    def __init__(self, library: ctypes.CDLL) -> None:
        self.library = library
        library.bench_source_digest.restype = ctypes.c_char_p
        library.bench_table_bytes.restype = ctypes.c_size_t
        library.bench_state_bytes.restype = ctypes.c_size_t
        pointer, int32, int64 = ctypes.c_void_p, ctypes.c_int32, ctypes.c_int64
        library.bench_table.argtypes = [ctypes.c_char_p, ctypes.c_size_t, pointer, _INTS]
        library.bench_joint_count.argtypes = library.bench_coupled_count.argtypes = [pointer]
        library.bench_start.argtypes = [pointer]
        library.bench_run.argtypes = [pointer, pointer, _INTS, _INTS, int64]
        stages = {
            "curve": (2, 2),
            "valve": (2, 2),
            "target_speed": (2, 3),
            "share": (1, 3),
            "limit": (2, 3),
            "ramp": (2, 3),
            "flow": (1, 4),
            "coupled_brake": (1, 2),
            "coupled": (1, 6),
            "tip": (1, 3),
        }
        for name, (numbers, arrays) in stages.items():
            getattr(library, f"bench_{name}").argtypes = [pointer, *[int32] * numbers, *[_INTS] * arrays, int64]
        self.source_digest = bytes(library.bench_source_digest()).decode()
        self.table_byte_count = int(library.bench_table_bytes())
        self.state_byte_count = int(library.bench_state_bytes())

    def table(self, data: bytes) -> LiveTable:
        """Validates `data` as the controller does. Raises TableRefused."""
        buffer = (ctypes.c_uint8 * self.table_byte_count)()
        fault = np.zeros(2, dtype=np.int32)
        result = self.library.bench_table(data, len(data), buffer, fault)
        if result != 0:
            raise TableRefused(RESULTS[result], int(fault[0]), int(fault[1]))
        return LiveTable(self, buffer)

    def assert_line(self) -> int:
        """Line of the first assertion of the core that has failed in this process, 0 for none."""
        return int(self.library.bench_assert_line())

    def assert_clear(self) -> None:
        self.library.bench_assert_clear()


@functools.cache
def load_core() -> Core:
    """Loads the compiled core.

    Raises:
        CoreError: it was never built, or it was built from other sources than those in this checkout.
    """
    if not _LIBRARY.exists():
        raise CoreError(f"{_LIBRARY} is missing: the C core was not built; run `pip install -e .` in the checkout")
    core = Core(ctypes.CDLL(str(_LIBRARY)))
    if _BUILD.exists():
        expected = runpy.run_path(str(_BUILD))["source_digest"]()
        if expected != core.source_digest:
            raise CoreError(
                f"{_LIBRARY} was built from other C sources than those in {_BUILD.parent}; "
                "run `python firmware_stub/build.py` (or `pip install -e .`) to build it again"
            )
    return core
