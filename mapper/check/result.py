"""The whole check: every limit of every joint in a fixed order, then the machine's; waivers; the result."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from mapper.check.context import JointContext, contexts
from mapper.check.coverage import not_examined
from mapper.check.finding import Evidence, Finding, Note, NotExamined, Status
from mapper.check.hydraulics.buckling import buckling
from mapper.check.hydraulics.force import force
from mapper.check.hydraulics.gain import gain_spread
from mapper.check.hydraulics.holding_pressure import holding_pressure
from mapper.check.hydraulics.ratings import pressure_rating
from mapper.check.hydraulics.structure import load_holding, travel
from mapper.check.hydraulics.supply import power, pump_share, standby_pressure
from mapper.check.law.as_written import joint_as_written, machine_as_written
from mapper.check.law.drive import deadband_jump, drive_range
from mapper.check.law.pilot import Running, running_state
from mapper.check.law.protection import matching, motion_watches, sensor_step, start_matching
from mapper.check.law.response import deadband_zero, direction
from mapper.check.law.safety import safety_findings
from mapper.check.law.sensors import sensor_window, track_disagreement, two_tracks
from mapper.check.law.slowing import slowing
from mapper.check.motion.hunting import hunting
from mapper.check.motion.loop_margin import loop_margin
from mapper.check.motion.natural_frequency import natural_frequency
from mapper.check.motion.pressure_peak import pressure_peak
from mapper.check.motion.soft_stop import LIMITS, soft_stop_overruns
from mapper.check.motion.speed import flow_available, ramp, speed_limit
from mapper.check.motion.stopping_distance import stopping_distance
from mapper.check.notes import joint_notes
from mapper.errors import MapperError
from mapper.law import load_core
from mapper.machine import joint_model
from mapper.profile.profile import Profile, Waiver
from mapper.table import decode_table, table_digest
from mapper.table.table import Table

JointLimit = Callable[[JointContext, Running], Finding | tuple[Finding, ...] | None]

# The order of the findings of a joint. A limit that does not apply to a joint gives None or nothing.
_JOINT_LIMITS: tuple[JointLimit, ...] = (
    lambda context, running: joint_as_written(context),
    lambda context, running: drive_range(context),
    lambda context, running: deadband_zero(context),
    lambda context, running: deadband_jump(context),
    lambda context, running: direction(context),
    lambda context, running: speed_limit(context),
    lambda context, running: flow_available(context),
    lambda context, running: ramp(context),
    lambda context, running: soft_stop_overruns(context),
    lambda context, running: travel(context),
    lambda context, running: gain_spread(context),
    lambda context, running: force(context),
    lambda context, running: holding_pressure(context),
    lambda context, running: pressure_rating(context),
    lambda context, running: pressure_peak(context),
    lambda context, running: buckling(context),
    lambda context, running: natural_frequency(context),
    lambda context, running: loop_margin(context),
    lambda context, running: hunting(context),
    lambda context, running: stopping_distance(context),
    sensor_window,
    track_disagreement,
    lambda context, running: two_tracks(context),
    lambda context, running: sensor_step(context),
    lambda context, running: matching(context),
    lambda context, running: motion_watches(context),
    lambda context, running: load_holding(context),
)


class CheckError(MapperError):
    """What is to be checked does not belong together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckResult:
    """Findings in stable order: joints as in the profile, limits as in the list above, then the machine's."""

    digest: str  # of the table's bytes
    findings: tuple[Finding, ...]
    not_examined: tuple[NotExamined, ...]
    notes: tuple[Note, ...]  # what is no fault but surprises, joints as in the profile
    unused_waivers: tuple[Waiver, ...]  # they name a limit that holds, or none that there is
    result: str  # "holds", "holds with waivers" or "does not hold"

    @property
    def holds(self) -> bool:
        """True when the table may be sent: every limit is shown or waived."""
        return self.result != "does not hold"


def check_profile(profile: Profile, table: Table, data: bytes) -> CheckResult:
    """Checks the bytes that will be sent, through the compiled law, against the profile.

    Args:
        profile: exact, as read.
        table: compiled from it.
        data: the table's bytes.

    Raises:
        CheckError: bytes, table and profile do not belong together.
        TableRefused: the law's own validation refuses the bytes.
        CoreError: the law is not built, or from other sources.
    """
    if decode_table(data) != table:
        raise CheckError(
            "the table's bytes do not decode to the table that is to be checked; compile and encode it again",
            exit_code=1,
        )
    if table.profile_digest != profile.digest or len(table.joints) != len(profile.joints):
        raise CheckError("the table was compiled from another profile; compile it again", exit_code=1)
    live = load_core().table(data)
    running = running_state(table, live)
    models = tuple(joint_model(profile, joint) for joint in profile.joints)
    joints = contexts(profile, table, live, models)
    found = [finding for context in joints for finding in joint_findings(context, running)]
    found += [machine_as_written(profile, table.machine), start_matching(profile, table.machine)]
    found += [
        finding for limit in (pump_share, power, standby_pressure) if (finding := limit(profile, joints)) is not None
    ]
    found += safety_findings(profile, table, live, running)
    found.append(slowing(table, live, running))
    findings = tuple(_waived(finding, profile.waivers) for finding in found)
    used = {id(waiver) for finding in found for waiver in profile.waivers if _applies(waiver, finding)}
    return CheckResult(
        digest=table_digest(data),
        findings=findings,
        not_examined=not_examined(),
        notes=tuple(note for context in joints for note in joint_notes(context)),
        unused_waivers=tuple(waiver for waiver in profile.waivers if id(waiver) not in used),
        result=_result(findings),
    )


def joint_findings(context: JointContext, running: Running) -> Iterator[Finding]:
    """The limits of one joint: they depend on nothing but this joint, and on how the law gets to running."""
    found: list[Finding] = []
    for limit in _JOINT_LIMITS:
        one = limit(context, running)
        found += [one] if isinstance(one, Finding) else one or ()
    short = any(finding.limit == "flow_available" and finding.status is not Status.HOLDS for finding in found)
    for finding in found:
        yield _without_flow(context, finding) if short and finding.limit in LIMITS else finding


def _without_flow(context: JointContext, finding: Finding) -> Finding:
    """A bound that does not speak of a joint short of flow. One that is violated stays so: its number has to change
    in any case.
    """
    if finding.status is not Status.HOLDS:
        return finding
    detail = (
        "without the flow that full speed asks for, rule L7d may drop the command with the pose, faster than any ramp: "
        f"such a plant is outside the class of the bound, which alone would hold: {finding.detail}"
    )
    return replace(
        finding,
        status=Status.NOT_SHOWN,
        evidence=Evidence.NONE,
        cases=0,
        worst=None,
        bound=None,
        margin=None,
        detail=detail,
        advice=f"make flow_available of {context.joint.name} hold",
        explanation=None,
    )


def _applies(waiver: Waiver, finding: Finding) -> bool:
    """`soft_stop_overrun` stands for both sides."""
    names = (finding.limit, finding.limit.removesuffix("_upper").removesuffix("_lower"))
    bad = finding.status in (Status.VIOLATED, Status.NOT_SHOWN)
    return bad and waiver.joint == finding.joint and waiver.limit in names


def _waived(finding: Finding, waivers: tuple[Waiver, ...]) -> Finding:
    waiver = next((waiver for waiver in waivers if _applies(waiver, finding)), None)
    if waiver is None:
        return finding
    detail = f"WAIVED ({finding.status.value}), reason given in the profile: {waiver.reason}; {finding.detail}"
    return replace(finding, status=Status.WAIVED, detail=detail)


def _result(findings: tuple[Finding, ...]) -> str:
    statuses = {finding.status for finding in findings}
    if statuses & {Status.VIOLATED, Status.NOT_SHOWN}:
        return "does not hold"
    return "holds with waivers" if Status.WAIVED in statuses else "holds"
