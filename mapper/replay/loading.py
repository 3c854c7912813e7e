"""What a trace says in words of the load that the plant carried, and of joints that it stopped or pulled along."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from mapper.profile.profile import Profile
from mapper.replay.inputs import Note
from mapper.replay.parameters import ELECTRIC, ROLLS, PlantJoint, PlantParameters

if TYPE_CHECKING:
    from mapper.replay.run import Trace

_SEEN_DEG_S = 0.1
"""Slower is the rest of a valve's lag, which nobody sees."""
_HOLDS_NOTHING = ("none", "port_relief")


def loading_notes(profile: Profile, parameters: PlantParameters, *, chosen: bool) -> tuple[Note, ...]:
    """The load, what weighs nothing here because the profile does not say, and what nothing holds.

    Args:
        chosen: the load was asked for by name.
    """
    notes = [Note(kind="load", text=_carried(profile, parameters.load_name, chosen=chosen))]
    unknown = [joint.name for joint in profile.joints if joint.axis == "pitch" and joint.body is None]
    if unknown:
        free = ", ".join(joint.name for joint in parameters.joints if not joint.weighed)
        keys = ", ".join(f"joints.{name}.body" for name in unknown)
        text = f"gravity is left out of {free}: the profile does not say what {', '.join(unknown)} weighs; add {keys}"
        notes.append(Note(kind="load", text=text))
    for name in _unheld(profile, parameters):
        notes.append(
            Note(
                kind="holding",
                text=f"{name}: nothing in the profile holds it against gravity; with its valve shut it stands here, "
                "a real one sinks by what its valve and its seals leak",
            )
        )
    return tuple(notes)


def motion_notes(trace: Trace, profile: Profile, parameters: PlantParameters) -> tuple[Note, ...]:
    """Joints that stalled for lack of pressure or torque, and joints that the load pulled faster than asked."""
    load = f"with {trace.load_name}" if trace.load_name else "without a load"
    notes = []
    for index, plant in enumerate(parameters.joints):
        stalled = trace.stalled(index)
        if stalled.any():
            first = float(trace.time_s[int(np.argmax(stalled))])
            notes.append(
                Note(
                    kind="stalled",
                    text=f"{plant.name} stood for {trace.stalled_s(index):.2f} s, first at {first:.2f} s, with its "
                    f"drive on: {load} it would take more than {_lack(trace, profile, plant, index)}",
                )
            )
        ahead = (trace.pressure_factor(index) > 1.0 + 1e-9) & (np.abs(trace.speed_deg_s(index)) > _SEEN_DEG_S)
        if plant.kind != ELECTRIC and plant.compensated and ahead.any():
            seconds = float(np.count_nonzero(ahead) * trace.tick_s)
            fastest = float(np.abs(trace.speed_deg_s(index)[ahead]).max())
            notes.append(
                Note(
                    kind="ahead",
                    text=f"{plant.name} ran ahead of its oil for {seconds:.2f} s, at up to {fastest:.1f} deg/s: "
                    f"{load} gravity pulls, and no counterbalance valve is at the port that oil leaves by",
                )
            )
    return tuple(notes)


def _carried(profile: Profile, name: str, *, chosen: bool) -> str:
    if not name:
        return "none is carried, as asked" if chosen else "none is carried: the profile names none"
    load = next(load for load in profile.loads if load.name == name)
    why = "as asked" if chosen else "the heaviest that the profile names"
    return f"{name} ({float(load.mass_kg):g} kg), {why}, is carried from the first tick to the last, on level ground"


def _unheld(profile: Profile, parameters: PlantParameters) -> list[str]:
    """Hydraulic joints that gravity may turn on level ground and that nothing holds."""
    names = []
    for link in parameters.links:
        joint, plant = profile.joints[link.joint_index], parameters.joints[link.joint_index]
        loaded = plant.weighed and (link.axis != ROLLS or link.up_n_m != 0.0)
        if loaded and plant.kind != ELECTRIC and joint.holding.kind in _HOLDS_NOTHING:
            names.append(joint.name)
    return names


def _lack(trace: Trace, profile: Profile, plant: PlantJoint, index: int) -> str:
    if plant.kind == ELECTRIC:
        return f"the {plant.torque_n_m:g} N m that it has"
    need = float(trace.load_pressure_bar(index)[trace.stalled(index)].max())
    return f"{need:.0f} bar there, and the pump gives {float(profile.supply.relief_pa) * 1e-5:.0f} bar at most"
