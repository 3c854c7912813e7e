"""The machine model: physics, pure. Floats in SI and radians; exact rationals where two PCs must agree to the bit."""

from mapper.machine.actuator.cylinder import Cylinder
from mapper.machine.actuator.electric import Electric
from mapper.machine.actuator.linkage import Linkage
from mapper.machine.actuator.motor import Motor
from mapper.machine.model import NEGATIVE, POSITIVE, JointModel, joint_gain_spread, joint_model

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
