"""Benches of the search for worked profiles, on the law as it is or on another core, and examples written by hand."""

from __future__ import annotations

import functools
from dataclasses import replace

from check_case import check_text, profile_of, text_of

from mapper.check.search.library import GENOME_BYTES, HEAD_BYTES, SEGMENT_BYTES, Bench, SearchJoint
from mapper.check.search.plants import search_joints
from mapper.law import Core, load_core
from mapper.table import compile_table, encode_table


@functools.cache
def joints_of(name: str) -> tuple[SearchJoint, ...]:
    """With the bounds that the check has worked out."""
    profile = profile_of(text_of(name))
    return search_joints(profile, compile_table(profile), check_text(text_of(name)).findings)


def free_joints_of(text: str) -> tuple[SearchJoint, ...]:
    """Without bounds on the position."""
    profile = profile_of(text)
    return search_joints(profile, compile_table(profile), ())


def bench_of(text: str, joints: tuple[SearchJoint, ...], core: Core | None = None) -> Bench:
    core = core or load_core()
    profile = profile_of(text)
    return Bench(core, core.table(encode_table(compile_table(profile))), joints, profile.controller.count_max)


def with_bounds(joints: tuple[SearchJoint, ...], upper: int | None, lower: int | None) -> tuple[SearchJoint, ...]:
    return tuple(replace(joint, bound_mdeg=(upper, lower)) for joint in joints)


def example(head: bytes = bytes(HEAD_BYTES), *segments: dict[int, int]) -> bytes:
    """An example by hand: its head, and the bytes of each segment by their numbers in search_script.c."""
    body = b""
    for segment in segments:
        body += bytes(segment.get(at, 0) for at in range(SEGMENT_BYTES))
    whole = bytes([head[0] | max(0, len(segments) - 1)]) + head[1:] + body
    return whole.ljust(GENOME_BYTES, b"\0")
