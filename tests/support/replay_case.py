"""Worked profiles, their tables and recordings, read once for the replay tests."""

from __future__ import annotations

import functools
from pathlib import Path

from mapper.profile import Profile, read_profile
from mapper.replay import Recording, read_recording
from mapper.table import compile_table, encode_table

ROOT = Path(__file__).resolve().parent.parent.parent
RECORDINGS = ROOT / "profiles" / "recordings"
KERB, STAND = "kerb-arm", "test-stand"


@functools.cache
def worked_profile(name: str) -> Profile:
    path = ROOT / "profiles" / f"{name}.toml"
    return read_profile(path.read_bytes(), f"profiles/{name}.toml")


@functools.cache
def worked_table(name: str) -> bytes:
    return encode_table(compile_table(worked_profile(name)))


@functools.cache
def worked_recording(name: str) -> Recording:
    return read_recording((RECORDINGS / name).read_text(encoding="ascii"), name)


def stand_recording(*rows: str, header: str = "time_s,hand_angle_deg") -> Recording:
    """A short recording for the test stand."""
    return read_recording("\n".join([header, *rows]) + "\n", "short.csv")


def still(seconds: float, angle_deg: float = 0.0) -> Recording:
    """The test stand's operator keeps still."""
    return stand_recording(*(f"{index * 0.1:.1f},{angle_deg}" for index in range(round(seconds * 10) + 1)))
