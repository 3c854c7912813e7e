"""One joint with everything that the physics of it needs: what every formula of statics and dynamics takes."""

from __future__ import annotations

from dataclasses import dataclass

from mapper.machine.arm.envelope import JointEnvelope, joint_envelopes
from mapper.machine.model import JointModel, joint_model
from mapper.machine.oil.spread import with_derived_spread
from mapper.profile.profile import Joint, Profile


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPhysics:
    """The joint as the profile has it, as a machine, and what the rest of the arm may do to it."""

    profile: Profile
    joint: Joint
    model: JointModel
    envelope: JointEnvelope


def joint_physics(profile: Profile) -> dict[str, JointPhysics]:
    """By joint name. A joint is missing where the profile does not say what it carries (see `joint_envelopes`)."""
    envelopes = joint_envelopes(profile)
    return {
        joint.name: JointPhysics(
            profile=profile,
            joint=joint,
            model=with_derived_spread(profile, joint, joint_model(profile, joint), envelopes[joint.name]),
            envelope=envelopes[joint.name],
        )
        for joint in profile.joints
        if joint.name in envelopes
    }
