"""What holds a joint against its load, and what opens it again. Floats, SI, gauge pascals.

Load-induced pressure: with the valve closed, a load presses on the side that oil would have to leave for the joint to
give way. A counterbalance sits at that port. Its relief function opens at the setting; a pilot line from the other side
opens it for lowering. Balance at its opening point, with the load-induced pressure pc, the pilot pressure pi and the
back pressure pb behind it. The spring chamber is open to the line behind the valve, so that pb presses on relief and
pilot area alike, against both. A vented one has the atmosphere's pressure, 0 gauge, and pb acts nowhere:

    not vented    pc + ratio pi = setting + (1 + ratio) pb
    vented        pc + ratio pi = setting

So without pilot pressure, as in a stop whose driven side runs empty, the setting caps pc at setting + (1 + ratio) pb if
not vented. With the pilot line at the tank's pressure pt, too, it is setting + pt, and setting - ratio pt if vented.

Source: the textbook rule pilot pressure = (setting - load pressure) / ratio is its case pb = 0 (published example in
tests/outside); the back-pressure term and what venting takes away are from memory. A pilot-operated check valve: its
piston has `ratio` times the area of the poppet, ratio (pi - pb) = pc - pb; balance of forces.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from mapper.machine.arm.chain import GRIP
from mapper.machine.arm.envelope import Floats, JointEnvelope
from mapper.machine.load import along_n_m, over
from mapper.machine.model import NEGATIVE, POSITIVE, JointModel
from mapper.profile.profile import Holding, Joint

SETTING_FACTOR = 1.3
"""Setting of a load-holding valve over the highest load-induced pressure, at least. Taught by the trade and on public
pages; no standard known for it: common practice, no source."""

BRAKE_FACTOR = 1.3
"""Torque of a holding brake over the largest that gravity has, at least. Common practice, no source."""

COUNTERBALANCES = ("counterbalance", "double_counterbalance")


def load_pressure_pa(model: JointModel, envelope: JointEnvelope, direction: int) -> Floats:
    """Pressure (k, n) that the load alone makes on the outlet side of a motion in the direction, valve closed, the
    other side relieved, friction not counted; 0 where the load is against that motion.
    """
    outlet = model.displacement_m3_rad(envelope.q_rad, direction)[1]
    return over(np.maximum(along_n_m(envelope, direction), 0.0), outlet)


def trapped_n_m(joint: Joint, envelope: JointEnvelope, direction: int) -> Floats:
    """Torque (k, n) that pushes a joint in the direction once the valve is closed: gravity, and what the work's torque
    of the other direction left in steel and oil, as in a shut clamp.
    """
    torque = along_n_m(envelope, direction)
    if joint.work is not None:
        torque = torque + float((joint.work.torque_n_m.negative, joint.work.torque_n_m.positive)[direction])
    return np.asarray(torque)


def brake_least_n_m(joint: Joint, envelope: JointEnvelope) -> float:
    """Largest torque in N m that a holding brake of the joint has to hold: gravity's over all loads and poses; in a
    grip what is trapped there.
    """
    torques = [
        trapped_n_m(joint, envelope, side) if joint.axis == GRIP else along_n_m(envelope, side)
        for side in (POSITIVE, NEGATIVE)
    ]
    return max(0.0, float(np.max(torques)))


def gripped_pa(joint: Joint, model: JointModel, envelope: JointEnvelope, direction: int) -> Floats:
    """Pressure (k, n) that a shut grip leaves on the outlet side of a motion in the direction: `trapped_n_m` over the
    oil of that side. Of another joint the load's alone (`load_pressure_pa`): a push that ends there lets nothing fall.
    """
    if joint.axis != GRIP:
        return load_pressure_pa(model, envelope, direction)
    outlet = model.displacement_m3_rad(envelope.q_rad, direction)[1]
    return over(np.maximum(trapped_n_m(joint, envelope, direction), 0.0), outlet)


def held_outlets(holding: Holding, model: JointModel, envelope: JointEnvelope) -> tuple[bool, bool]:
    """For each direction: a counterbalance or a pilot-operated check valve is at the port that oil leaves by.

    A single counterbalance is at the side that the load presses on hardest. A pilot-operated check valve is taken to be
    at both ports: where it is at one, the other port only opens more easily.
    """
    if holding.kind in ("double_counterbalance", "pilot_check"):
        return True, True
    if holding.kind != "counterbalance":
        return False, False
    positive, negative = (float(np.max(load_pressure_pa(model, envelope, side))) for side in (POSITIVE, NEGATIVE))
    return positive > negative, positive <= negative


def metered_outlets(holding: Holding, model: JointModel, envelope: JointEnvelope) -> tuple[bool, bool]:
    """For each direction: a load that pulls along cannot run ahead of the oil. A pilot-operated check valve opens or
    shuts and does not meter.
    """
    held = held_outlets(holding, model, envelope)
    return held if holding.kind in COUNTERBALANCES else (False, False)


def back_factor(ratio: float, *, vented: bool) -> float:
    """What a counterbalance's load-induced and pilot pressure must have more for each Pa behind it: 1 + ratio, or 0."""
    return 0.0 if vented else 1.0 + ratio


def opens_at_most_pa(holding: Holding, back_pa: float) -> float | None:
    """Highest pressure in Pa that a counterbalance lets its side rise to: where it opens without any pilot pressure.
    None where there is none.

    Args:
        back_pa: in the line behind it, gauge; standing, the tank line's.
    """
    if holding.kind not in COUNTERBALANCES or holding.setting_pa is None:
        return None
    return float(holding.setting_pa) + back_factor(float(holding.pilot_ratio or 0), vented=holding.vented) * back_pa


def opens_from_pa(holding: Holding, tank_pa: float) -> float | None:
    """Pressure in Pa that a counterbalance surely keeps shut against, its pilot line at the tank's pressure: setting -
    ratio x tank if vented, at least 0. Not vented the setting; that the tank's pressure adds to it is not counted. None
    where there is no counterbalance.
    """
    if holding.kind not in COUNTERBALANCES or holding.setting_pa is None:
        return None
    lowered = float(holding.pilot_ratio or 0) * tank_pa if holding.vented else 0.0
    return max(float(holding.setting_pa) - lowered, 0.0)


def counterbalance_pilot_pa(
    setting_pa: float, ratio: float, load_pa: npt.ArrayLike, back_pa: npt.ArrayLike = 0.0, *, vented: bool = False
) -> Floats:
    """Pilot pressure in Pa that opens a counterbalance against a load-induced pressure: (setting + (1 + ratio) back -
    load) / ratio, at least 0; vented without the back pressure.
    """
    load, back = np.asarray(load_pa, dtype=np.float64), np.asarray(back_pa, dtype=np.float64)
    return np.asarray(np.maximum((setting_pa + back_factor(ratio, vented=vented) * back - load) / ratio, 0.0))


def check_pilot_pa(ratio: float, load_pa: npt.ArrayLike, back_pa: npt.ArrayLike = 0.0) -> Floats:
    """Pilot pressure in Pa that opens a pilot-operated check valve: (load - back) / ratio + back, at least 0."""
    load, back = np.asarray(load_pa, dtype=np.float64), np.asarray(back_pa, dtype=np.float64)
    return np.asarray(np.maximum((load - back) / ratio + back, 0.0))


def inlet_through_counterbalance_pa(
    setting_pa: float,
    ratio: float,
    displacement: tuple[Floats, Floats],
    load: Floats,
    back_pa: npt.ArrayLike,
    *,
    vented: bool = False,
) -> Floats:
    """Inlet pressure in Pa that moves an actuator whose outlet is held by a counterbalance.

    The pilot is the inlet pressure itself, which also presses the actuator against the closed outlet:
    Ai pi - Ao pc = F with the opening point above gives pi = (F + Ao (setting + (1 + ratio) pb)) / (Ai + ratio Ao),
    vented without pb.
    Where that pressure is above what the load needs with the outlet open, the valve throttles, else it is wide open.

    Args:
        displacement: (inlet, outlet) in m2 or m3/rad, with `load` in N or N m against the motion.
    """
    inlet, outlet = displacement
    closed = setting_pa + back_factor(ratio, vented=vented) * np.asarray(back_pa, dtype=np.float64)
    return np.asarray(np.maximum(over(load + outlet * closed, inlet + ratio * outlet), 0.0))


def inlet_through_check_pa(
    ratio: float, displacement: tuple[Floats, Floats], load: Floats, back_pa: npt.ArrayLike
) -> Floats:
    """Inlet pressure in Pa that opens a pilot-operated check valve at the outlet; infinite where none does.

    Until it opens, the inlet pressure raises the trapped pressure by Ai / Ao: with pc = (Ai pi - F) / Ao,
    pi = (-F / Ao + (ratio - 1) pb) / (ratio - Ai / Ao); a ratio of at most Ai / Ao never opens under a load that pulls.
    """
    inlet, outlet = displacement
    back = np.asarray(back_pa, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        spare = ratio - np.where(outlet > 0.0, inlet / outlet, 0.0)
        asked = over(-load, outlet) + (ratio - 1.0) * back
        opened = np.where(asked <= 0.0, 0.0, np.where(spare > 0.0, asked / spare, np.inf))
    return np.asarray(opened)
