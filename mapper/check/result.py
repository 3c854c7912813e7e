"""The whole check: every limit of every joint in a fixed order, then the machine's; waivers; the result.

A joint's part is worked out once for every value of what it can depend on, so a changed number of one joint works out
that joint's part again and takes the others' as they were.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from mapper.check.context import JointContext, contexts
from mapper.check.coverage import not_examined
from mapper.check.finding import Finding, Note, NotExamined, Status
from mapper.check.hydraulics.buckling import buckling
from mapper.check.hydraulics.force import force
from mapper.check.hydraulics.gain import gain_spread
from mapper.check.hydraulics.holding_pressure import holding_pressure
from mapper.check.hydraulics.ratings import pressure_rating
from mapper.check.hydraulics.structure import load_holding, travel
from mapper.check.hydraulics.supply import power, pump_share, standby_pressure
from mapper.check.law.as_written import joint_as_written, machine_as_written
from mapper.check.law.drive import deadband_jump, drive_range
from mapper.check.law.following import following
from mapper.check.law.pilot import Running, running_state
from mapper.check.law.protection import matching, motion_watches, sensor_step, start_matching
from mapper.check.law.response import deadband_zero, direction
from mapper.check.law.safety import safety_findings
from mapper.check.law.sensors import sensor_window, track_disagreement, two_tracks
from mapper.check.law.slowing import slowing
from mapper.check.law.stops_in_tick import in_whole_ticks
from mapper.check.law.stuck_sensor import stuck_sensor
from mapper.check.law.width import integer_width
from mapper.check.motion.coupled_stop import coupled_stops
from mapper.check.motion.hunting import hunting
from mapper.check.motion.loop_margin import loop_margin
from mapper.check.motion.natural_frequency import natural_frequency
from mapper.check.motion.pressure_peak import pressure_peak
from mapper.check.motion.soft_stop import LIMITS, soft_stop_overruns
from mapper.check.motion.speed import flow_available, ramp, speed_limit
from mapper.check.motion.stopping_distance import stopping_distance
from mapper.check.notes import joint_notes
from mapper.check.reuse import Kept, reuse_key
from mapper.check.space.keep_out import keep_out
from mapper.check.space.tip_speed import tip_speed
from mapper.errors import MapperError
from mapper.law import LiveTable, load_core
from mapper.machine import joint_model
from mapper.profile.profile import Profile, Waiver
from mapper.table import decode_table, table_digest
from mapper.table.table import Table

JointLimit = Callable[[JointContext, Running], Finding | tuple[Finding, ...] | None]

# The order of the findings of a joint. A limit that does not apply to a joint gives None or nothing.
JOINT_LIMITS: tuple[JointLimit, ...] = (
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
    stuck_sensor,
    lambda context, running: sensor_step(context),
    lambda context, running: matching(context),
    following,
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is checked: a profile, its compiled table, the bytes as the law reads them, and every joint as a machine."""

    profile: Profile
    table: Table
    data: bytes
    live: LiveTable
    running: Running
    joints: tuple[JointContext, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class JointPart:
    """What the check says of one joint, before waivers."""

    findings: tuple[Finding, ...]
    notes: tuple[Note, ...]


PARTS: Kept[JointPart] = Kept(most=64)
"""Parts of joints that were worked out before; a pure function's results, kept by the value of its arguments."""


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
    case = case_of(profile, table, data)
    parts = tuple(joint_part(case, index) for index in range(len(case.joints)))
    return result_of(case, parts, machine_findings(case))


def case_of(profile: Profile, table: Table, data: bytes) -> Case:
    """What the parts of the check look at. Arguments and errors as of `check_profile`."""
    if decode_table(data) != table:
        raise CheckError(
            "the table's bytes do not decode to the table that is to be checked; compile and encode it again",
            exit_code=1,
        )
    if table.profile_digest != profile.digest or len(table.joints) != len(profile.joints):
        raise CheckError("the table was compiled from another profile; compile it again", exit_code=1)
    live = load_core().table(data)
    models = tuple(joint_model(profile, joint) for joint in profile.joints)
    return Case(
        profile=profile,
        table=table,
        data=data,
        live=live,
        running=running_state(table, live),
        joints=contexts(profile, table, live, models),
    )


def joint_part(case: Case, index: int) -> JointPart:
    """Findings and notes of joint `index`, in order. Taken from an earlier check where all that they can depend on is
    the same (see `reuse`).
    """
    core = load_core()  # itself, too: two laws may be built from sources that say they are the same
    key = reuse_key(case.profile, case.table, index, case.running.moving, core, core.source_digest)
    return PARTS.get(key, lambda: _joint_part(case, index))


def _joint_part(case: Case, index: int) -> JointPart:
    context = case.joints[index]
    return JointPart(findings=tuple(joint_findings(context, case.running)), notes=joint_notes(context))


MachineLimit = Callable[[Case], Finding | tuple[Finding, ...] | None]

# The order of the findings of the machine as a whole.
MACHINE_LIMITS: tuple[MachineLimit, ...] = (
    lambda case: machine_as_written(case.profile, case.table),
    lambda case: start_matching(case.profile, case.table.machine),
    lambda case: pump_share(case.profile, case.joints),
    lambda case: power(case.profile, case.joints),
    lambda case: standby_pressure(case.profile, case.joints),
    lambda case: coupled_stops(case.profile, case.table, case.live, case.joints),
    lambda case: tip_speed(case.profile, case.table, case.live, case.joints),
    lambda case: keep_out(case.profile),
    lambda case: tuple(safety_findings(case.profile, case.table, case.live, case.running)),
    lambda case: slowing(case.profile, case.table, case.live, case.running),
    lambda case: integer_width(case.table, tuple(joint.name for joint in case.profile.joints)),
)


def machine_findings(case: Case) -> tuple[Finding, ...]:
    """What is said of the machine as a whole, in order, before waivers."""
    return tuple(finding for limit in MACHINE_LIMITS for finding in found_by(limit(case)))


def found_by(result: Finding | tuple[Finding, ...] | None) -> tuple[Finding, ...]:
    """What a limit gave, as a tuple; empty where it does not apply."""
    return () if result is None else (result,) if isinstance(result, Finding) else result


def result_of(case: Case, parts: tuple[JointPart, ...], machine: tuple[Finding, ...]) -> CheckResult:
    """The parts put together: joints as in the profile, then the machine; what whole ticks show; waivers applied.

    Args:
        case: what was checked.
        parts: one a joint, in the profile's order.
        machine: of `machine_findings`.
    """
    waivers = case.profile.waivers
    apart = [*(finding for part in parts for finding in part.findings), *machine]
    found = in_whole_ticks(case.profile, case.table, case.live, case.running, apart)
    findings = tuple(_waived(finding, waivers) for finding in found)
    used = {id(waiver) for finding in found for waiver in waivers if _applies(waiver, finding)}
    return CheckResult(
        digest=table_digest(case.data),
        findings=findings,
        not_examined=not_examined(case.profile),
        notes=tuple(note for part in parts for note in part.notes),
        unused_waivers=tuple(waiver for waiver in waivers if id(waiver) not in used),
        result=_result(findings),
    )


def joint_findings(context: JointContext, running: Running) -> Iterator[Finding]:
    """The limits of one joint: they depend on nothing but this joint, and on how the law gets to running."""
    found: list[Finding] = []
    for limit in JOINT_LIMITS:
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
    return finding.not_shown(detail, f"make flow_available of {context.joint.name} hold")


def _applies(waiver: Waiver, finding: Finding) -> bool:
    """`soft_stop_overrun` stands for both sides."""
    names = (finding.limit, finding.limit.removesuffix("_upper").removesuffix("_lower"))
    bad = finding.status in (Status.VIOLATED, Status.NOT_SHOWN)
    return bad and waiver.joint == finding.joint and waiver.limit in names


def waiver_of(finding: Finding, waivers: tuple[Waiver, ...]) -> Waiver | None:
    """The waiver that covers a finding which does not hold; None where there is none."""
    return next((waiver for waiver in waivers if _applies(waiver, finding)), None)


def _waived(finding: Finding, waivers: tuple[Waiver, ...]) -> Finding:
    waiver = waiver_of(finding, waivers)
    if waiver is None:
        return finding
    detail = f"WAIVED ({finding.status.value}), reason given in the profile: {waiver.reason}; {finding.detail}"
    return replace(finding, status=Status.WAIVED, detail=detail)


def _result(findings: tuple[Finding, ...]) -> str:
    statuses = {finding.status for finding in findings}
    if statuses & {Status.VIOLATED, Status.NOT_SHOWN}:
        return "does not hold"
    return "holds with waivers" if Status.WAIVED in statuses else "holds"
