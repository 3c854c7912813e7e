"""The machine model: physics, pure. Floats in SI and radians; exact rationals where two PCs must agree to the bit."""

from mapper.machine.cylinder import Cylinder
from mapper.machine.electric import Electric
from mapper.machine.linkage import Linkage
from mapper.machine.model import NEGATIVE, POSITIVE, JointModel, joint_gain_spread, joint_model
from mapper.machine.motor import Motor

__all__ = [
    "NEGATIVE",
    "POSITIVE",
    "Cylinder",
    "Electric",
    "JointModel",
    "Linkage",
    "Motor",
    "joint_gain_spread",
    "joint_model",
]
