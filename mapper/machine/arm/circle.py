"""Functions of a direction in a plane, as values at the nodes of a circle, straight between them. Radians."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

CIRCLE_NODES = 720
CIRCLE_STEP_RAD = 2.0 * math.pi / CIRCLE_NODES


def running_most(nodes: Floats, lower_rad: float, upper_rad: float) -> Floats:
    """Most of f(t - q) for q from lower to upper, at the nodes t of the circle; f is straight between its nodes.

    Args: nodes (..., CIRCLE_NODES), f at 0, step, 2 step ...; lower <= upper in rad.
    """
    first, last = math.ceil(lower_rad / CIRCLE_STEP_RAD), math.floor(upper_rad / CIRCLE_STEP_RAD)
    best = np.maximum(_shifted(nodes, lower_rad), _shifted(nodes, upper_rad))
    count = min(last - first + 1, CIRCLE_NODES)
    if count < 1:
        return best
    most, width = nodes, 1
    while 2 * width <= count:  # the most over twice as many neighbours, and again
        most, width = np.maximum(most, np.roll(most, width, axis=-1)), 2 * width
    most = np.maximum(most, np.roll(most, count - width, axis=-1))
    return np.maximum(best, np.roll(most, first, axis=-1))


def _shifted(nodes: Floats, angle_rad: float) -> Floats:
    """f(t - angle) at the nodes t."""
    steps = angle_rad / CIRCLE_STEP_RAD
    whole = math.floor(steps)
    part = steps - whole
    return np.asarray((1.0 - part) * np.roll(nodes, whole, axis=-1) + part * np.roll(nodes, whole + 1, axis=-1))


def on_circle(nodes: Floats, angle_rad: Floats) -> Floats:
    """f at angles in rad, straight between its nodes.

    Args: nodes (k, CIRCLE_NODES), angles (k, ...) or (1, ...).
    """
    steps = np.asarray(angle_rad) / CIRCLE_STEP_RAD
    whole = np.floor(steps)
    part = steps - whole
    index = whole.astype(np.intp) % CIRCLE_NODES
    rows = np.arange(nodes.shape[0]).reshape((-1,) + (1,) * (steps.ndim - 1))
    return np.asarray((1.0 - part) * nodes[rows, index] + part * nodes[rows, (index + 1) % CIRCLE_NODES])


def cosine_most(lower_rad: float, upper_rad: float) -> float:
    """Most of |cos| from lower to upper."""
    if math.floor(upper_rad / math.pi) > math.floor(lower_rad / math.pi) or lower_rad == upper_rad == 0.0:
        return 1.0
    return max(abs(math.cos(lower_rad)), abs(math.cos(upper_rad)))
