"""What a joint's load asks of its drive: torque against a motion and along with it. Floats, SI.

Directions are 0 (positive) and 1 (negative); arrays are over loads and angles (k, n), as in `JointEnvelope`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mapper.machine.arm.envelope import Floats, JointEnvelope
from mapper.machine.model import POSITIVE


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """The place of a worst case in the arrays, and the pose of all joints there."""

    load_name: str
    q_rad: float
    load_index: int
    q_index: int


def against_n_m(envelope: JointEnvelope, direction: int) -> Floats:
    """Most that gravity sets against a motion in the direction; negative where it pulls along in every pose."""
    return -envelope.torque_least_n_m if direction == POSITIVE else envelope.torque_most_n_m


def along_n_m(envelope: JointEnvelope, direction: int) -> Floats:
    """Most that gravity gives a motion in the direction; negative where it is against it in every pose."""
    return envelope.torque_most_n_m if direction == POSITIVE else -envelope.torque_least_n_m


def node_of_most(envelope: JointEnvelope, values: Floats) -> Node:
    """The load and the angle of the largest of the values (k, n)."""
    load_index, q_index = (int(index) for index in np.unravel_index(int(np.argmax(values)), values.shape))
    return Node(
        load_name=envelope.load_names[load_index],
        q_rad=float(envelope.q_rad[q_index]),
        load_index=load_index,
        q_index=q_index,
    )


def over(torque_n_m: Floats, volume_m3_rad: Floats) -> Floats:
    """Pressure in Pa that a torque in N m makes on a side of so many m3/rad; a torque at dead centre makes infinitely
    much, no torque none.
    """
    torque, volume = np.broadcast_arrays(torque_n_m, volume_m3_rad)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(torque == 0.0, 0.0, torque / volume))


def highest(values: Sequence[Floats]) -> Floats:
    """The largest at each place."""
    return np.asarray(np.maximum.reduce([np.asarray(value) for value in values]))
