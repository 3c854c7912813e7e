"""The four plots of a joint over its travel, from the formulas that the findings use; or what is missing for one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from mapper.check.context import SIDE_NAMES, SIDES
from mapper.check.finding import Finding, Status
from mapper.check.page.plot import DASHES, Curve, Level, Plot, figure, over_loads
from mapper.check.page.svg import Floats, escaped
from mapper.machine.model import JointModel
from mapper.machine.oil.oil_spring import lowest_hz
from mapper.machine.oil.pressure import Motion, available_pa, needed, torque_against_n_m
from mapper.machine.physics import JointPhysics
from mapper.profile.profile import ElectricDrive, Joint, Profile

_BAR, _L_MIN = 1e5, 60_000.0
_NODES = 181
_LOADS_MOST = DASHES // 2  # two directions each
_PRESSURE_CUT, _FREQUENCY_CUT = 2.5, 6.0  # times the level that counts: what lies far beyond it tells nothing more


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPlots:
    """What the plots are made of. `physics` is None where the profile does not say what the joint carries; `findings`
    are the joint's.
    """

    profile: Profile
    joint: Joint
    model: JointModel
    physics: JointPhysics | None
    findings: Sequence[Finding]

    def figures(self) -> tuple[str, ...]:
        """Lever arm, pressure (electric: torque), natural frequency, flow: each as HTML."""
        return self._lever(), self._effort(), self._frequency(), self._flow()

    def _q_rad(self) -> Floats:
        if self.physics is not None:
            return self.physics.envelope.q_rad
        ends = self.model.hard_stops_rad or (-np.pi, np.pi)
        return np.linspace(*ends, _NODES)

    def _plot(self, title: str, unit: str, curves: tuple[Curve, ...], levels: tuple[Level, ...], cut: float) -> str:
        soft = self.joint.limits.soft_stops_deg
        plot = Plot(
            title=title,
            unit=unit,
            q_deg=np.degrees(self._q_rad()),
            curves=curves,
            levels=levels,
            soft_deg=() if soft is None else (float(soft.lower), float(soft.upper)),
            worst_is_least=unit in ("mm", "Hz"),
            cut_at=cut * levels[0].value if levels and cut else None,
        )
        if not any(np.isfinite(curve.values).any() for curve in curves):
            return _missing(title, "It has no finite value anywhere in this travel.")
        return figure(plot, self.joint.title or self.joint.name)

    def _lever(self) -> str:
        if self.model.linkage is None:
            return _missing(
                "Lever arm", "No cylinder: the drive turns the joint, with the same gearing at every angle."
            )
        lever = np.abs(self.model.lever_m(self._q_rad())) * 1000.0
        return self._plot("Lever arm", "mm", (Curve(name="lever arm", kind="plain", values=lever),), (), 0.0)

    def _effort(self) -> str:
        if self.physics is None:
            return self._not_known("Force", "force")
        electric = isinstance(self.joint.drive, ElectricDrive)
        curves: list[Curve] = []
        for side in SIDES:
            if electric:
                values = np.maximum(torque_against_n_m(self.physics, side, Motion.ACCELERATING), 0.0)
            else:
                values = needed(self.physics, side, Motion.ACCELERATING).inlet_pa / _BAR
            names = self.physics.envelope.load_names
            curves += over_loads(names, values, SIDE_NAMES[side], SIDE_NAMES[side], _LOADS_MOST)
        if isinstance(self.joint.drive, ElectricDrive):
            most = Level(name="the actuator has", value=float(self.joint.drive.torque_n_m))
            return self._plot("Torque needed, accelerating", "N m", tuple(curves), (most,), _PRESSURE_CUT)
        most = Level(name="the pump leaves", value=available_pa(self.physics) / _BAR)
        return self._plot("Pressure needed, accelerating", "bar", tuple(curves), (most,), _PRESSURE_CUT)

    def _frequency(self) -> str:
        if not self.model.takes_pump_flow:
            return _missing("Lowest natural frequency", "An electric joint has no oil that could spring.")
        if self.physics is None or self.joint.hoses is None:
            return self._not_known("Lowest natural frequency", "natural_frequency")
        curves = over_loads(self.physics.envelope.load_names, lowest_hz(self.physics), "plain", "", DASHES)
        stated = Level(name="stated", value=float(self.joint.tolerances.natural_frequency_hz))
        least = min(float(curve.values.min()) for curve in curves)
        # A joint much stiffer than stated is shown whole.
        cut = max(_FREQUENCY_CUT, 1.5 * least / stated.value)
        return self._plot("Lowest natural frequency", "Hz", curves, (stated,), cut)

    def _flow(self) -> str:
        if not self.model.takes_pump_flow:
            return _missing("Flow at full speed", "An electric joint takes no oil from the pump.")
        q_rad, speed = self._q_rad(), self.joint.limits.speed_deg_s
        curves = []
        for side, asked in zip(SIDES, (speed.positive, speed.negative), strict=True):
            values = np.radians(float(asked)) / self.model.speed_per_flow_rad_m3(q_rad, side) * _L_MIN
            words = f"{SIDE_NAMES[side]}, {float(asked):g} deg/s"
            curves.append(Curve(name=words, kind=SIDE_NAMES[side], values=np.asarray(values)))
        levels = (
            Level(name="pump", value=float(self.profile.supply.flow_m3_s) * _L_MIN),
            Level(name="rated flow of the valve", value=float(self.joint.valve.rated_flow_m3_s) * _L_MIN),
        )
        return self._plot("Flow at full speed", "l/min", tuple(curves), levels, 0.0)

    def _not_known(self, title: str, limit: str) -> str:
        """The finding of that limit says what the profile lacks."""
        found = next((one for one in self.findings if one.limit == limit and one.status is not Status.HOLDS), None)
        if found is None:
            return _missing(title, "The profile does not say what this joint carries.")
        return _missing(title, f"{found.detail[:1].upper()}{found.detail[1:]}.", found.advice)


def _missing(title: str, why: str, advice: str = "") -> str:
    todo = f"<p>What to do: {escaped(advice)}</p>" if advice else ""
    return (
        f'<figure class="plot"><figcaption>{escaped(title)}</figcaption><div class="missing"><p>{escaped(why)}</p>'
        f"{todo}</div></figure>"
    )
