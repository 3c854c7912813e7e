"""The page of a check: one HTML file with every finding, and drawings and plots of what the findings rest on.

No script, no network: what the browser shows is all there is. Pure: text out of a profile and the result of its check.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from mapper.check.changes import joint_changes
from mapper.check.finding import Finding, Status
from mapper.check.page._page_style import PAGE_STYLE
from mapper.check.page.drawing import linkage_drawing, place_rows
from mapper.check.page.joint_plots import JointPlots
from mapper.check.page.side_view import arm_drawing, lift_case, pose_words, reach_of
from mapper.check.page.space_view import space_section
from mapper.check.page.svg import escaped
from mapper.check.result import CheckResult
from mapper.machine.model import JointModel, joint_model
from mapper.machine.physics import JointPhysics, joint_physics
from mapper.profile.profile import CylinderDrive, ElectricDrive, Joint, MotorDrive, Profile
from mapper.replay._page import STYLE

_CAUTIONS = (
    "Every number on this page is calculated from what the profile says, none was measured; what the profile leaves "
    "out or has wrong is left out or wrong here. It is no certificate, and it replaces no drawing that a licensed "
    "engineer has signed. Local codes decide.",
    "The machine can crush. Software is the second line of safety, never the first: a hard-wired emergency stop that "
    "dumps pressure without the controller comes first. Lock out and bleed before hands go in; dumping pressure can "
    "drop a raised arm. First motion is at reduced pressure and speed with nobody in reach.",
)
_HOW_TO_READ = (
    "Linkage: solid is half-way, dashed is at the hard stops. Thick marks on the arc are hard stops, thin broken ones "
    "soft stops; mm at an angle is the cylinder pin to pin. The profile does not say how the two radii lie on the "
    "machine: drawn with the rod pivot level at 0 deg and positive anticlockwise, the linkage may be turned or "
    "mirrored against the machine. Nor does it say where the barrel begins between the eyes.",
    "Plots run from hard stop to hard stop; dotted uprights are the soft stops, the ring is the worst place. Pressure "
    "and torque: with gravity at the worst pose of all other joints, the ground tilted, at the commanded acceleration. "
    "Natural frequency: softest oil, most inertia. Flow: at full commanded speed; near a soft stop the braking curve "
    "asks for less. Each curve has a dash pattern of its own.",
)
_BAD = (Status.VIOLATED, Status.NOT_SHOWN)
_CLASSES = {Status.HOLDS: "good", Status.WAIVED: "waived", Status.VIOLATED: "bad", Status.NOT_SHOWN: "bad"}
_VIEWS = {
    "vertical": "seen from above",
    "pitch": "seen from the machine's right-hand side",
    "roll": "seen along the axis",
    "grip": "in the plane that it turns in",
}


def check_page(profile: Profile, result: CheckResult) -> str:
    """The whole page as text.

    Args:
        profile: as read, the one that was checked.
        result: what `check_profile` made of it.
    """
    title = f"Check of {profile.machine_name}"
    physics = joint_physics(profile)
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta name="color-scheme" content="light dark">',
        f"<title>{escaped(title)}</title><style>{STYLE}{PAGE_STYLE}</style></head><body><main>",
        f"<h1>{escaped(title)}</h1>",
        f'<p class="lead">Table {escaped(result.digest)}, {len(result.findings)} findings</p>',
        f'<p class="result {"good" if result.holds else "bad"}">Result: {escaped(result.result)}</p>',
        '<div class="caution">' + "".join(f"<p>{escaped(text)}</p>" for text in _CAUTIONS) + "</div>",
        _facts(profile, result),
        _nav(profile, result),
        '<h2 id="wrong">What does not hold</h2>',
        _wrong(result),
        '<h2 id="read">How to read the drawings</h2>',
        "".join(f'<p class="about">{escaped(text)}</p>' for text in _HOW_TO_READ),
        *(_joint(profile, joint, physics.get(joint.name), result) for joint in profile.joints),
        '<h2 id="arm">The whole arm</h2>',
        _arm(profile, physics),
        '<h2 id="space">Keep-out spaces and farthest reach</h2>',
        space_section(profile),
        '<h2 id="machine">Machine</h2>',
        _findings([finding for finding in result.findings if finding.joint is None]),
        '<h2 id="open">Not examined by this version</h2>',
        _definitions((item.limit, item.why) for item in result.not_examined),
        "<footer>Made by mapper check. What a limit asks, its formula, the numbers at its worst case and their source: "
        f"mapper check {escaped(profile.file_name)} --explain LIMIT.</footer>",
        "</main></body></html>\n",
    ]
    return "\n".join(parts)


def _facts(profile: Profile, result: CheckResult) -> str:
    supply = profile.supply
    loads = ", ".join(f"{load.name} {float(load.mass_kg):g} kg" for load in profile.loads) or "none named"
    pump = "load-sensing pump" if supply.load_sensing else "fixed pump"
    facts = [
        ("Machine", f"{profile.machine_name} ({profile.machine_id}, revision {profile.revision})"),
        ("Profile", f"{profile.file_name}, digest {profile.digest.hex()}"),
        ("Table", f"digest {result.digest}"),
        (
            "Supply",
            f"{pump}, {_l_min(float(supply.flow_m3_s))} l/min, relief {float(supply.relief_pa) / 1e5:.4g} bar",
        ),
        ("Loads", loads),
        ("Ground", f"tilted by up to {float(profile.tilt_deg):g} deg"),
    ]
    facts += [("Waiver", f"{one.limit} of {one.joint or 'machine'}: {one.reason}") for one in profile.waivers]
    return (
        '<dl class="facts">'
        + "".join(f"<dt>{escaped(name)}</dt><dd>{escaped(value)}</dd>" for name, value in facts)
        + "</dl>"
    )


def _l_min(flow_m3_s: float) -> str:
    return f"{flow_m3_s * 60000.0:.4g}"


def _nav(profile: Profile, result: CheckResult) -> str:
    links = [f'<a href="#wrong">What does not hold</a> {_count(result.findings)}']
    for joint in profile.joints:
        own = [finding for finding in result.findings if finding.joint == joint.name]
        links.append(f'<a href="#joint-{escaped(joint.name)}">{escaped(_title(joint))}</a> {_count(own)}')
    links += ['<a href="#arm">The whole arm</a>', '<a href="#space">Keep-out spaces</a>']
    links += ['<a href="#machine">Machine</a>', '<a href="#open">Not examined</a>']
    return "<nav>" + "".join(f"<span>{link}</span>" for link in links) + "</nav>"


def _count(findings: Iterable[Finding]) -> str:
    """How many do not hold; empty where all do."""
    bad = sum(finding.status in _BAD for finding in findings)
    return f"({bad} {'does' if bad == 1 else 'do'} not hold)" if bad else "(all hold)"


def _title(joint: Joint) -> str:
    return joint.title or joint.name


def _status(finding: Finding) -> str:
    return f'<span class="st {_CLASSES[finding.status]}">{escaped(finding.status.value)}</span>'


def _number(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}".rstrip("0").rstrip(".")


# -- what does not hold -----------------------------------------------------------------------------------------------


def _wrong(result: CheckResult) -> str:
    shown = [finding for finding in result.findings if finding.status is not Status.HOLDS]
    parts = [_wrong_block(group) for group in _told_once(shown)]
    bad = [finding for finding in shown if finding.status in _BAD]
    parts += [
        f"<p>One change that satisfies all advice on it: <code>{escaped(change)}</code></p>"
        for change in joint_changes(bad)
    ]
    parts += [
        f"<p>Waiver not used: {escaped(waiver.limit)} of {escaped(waiver.joint or 'machine')}: that limit holds, or "
        "there is none of that name.</p>"
        for waiver in result.unused_waivers
    ]
    if not bad:
        parts.insert(0, "<p>Every limit that was examined holds" + (" or is waived:</p>" if shown else ".</p>"))
    return "".join(parts)


def _told_once(findings: Iterable[Finding]) -> list[list[Finding]]:
    """Those that lack the same thing together, each group where its first one stands."""
    groups: dict[tuple[object, ...], list[Finding]] = {}
    for finding in findings:
        groups.setdefault((finding.status, finding.worst, finding.bound, finding.detail, finding.advice), []).append(
            finding
        )
    return list(groups.values())


def _wrong_block(group: Sequence[Finding]) -> str:
    """What is wrong with each of the group, and the advice that all of it shares."""
    first = group[0]
    limits: dict[str, list[str]] = {}
    for finding in group:
        limits.setdefault(finding.joint or "machine", []).append(finding.limit)
    where = "; ".join(f"{', '.join(names)} of {joint}" for joint, names in limits.items())
    ways = first.advice.split(" | ") if first.advice else []
    advice = f"<p>What to do:</p><ul>{''.join(f'<li>{escaped(way)}</li>' for way in ways)}</ul>" if ways else ""
    kind = "wrong waived" if first.status is Status.WAIVED else "wrong"
    return (
        f'<div class="{kind}"><p>{_status(first)}: <b>{escaped(where)}</b>{escaped(_against(first))}</p>'
        f"<p>{escaped(first.detail)}</p>{advice}</div>"
    )


def _against(finding: Finding) -> str:
    if finding.worst is None or finding.bound is None:
        return ""
    allowed = "at least" if finding.at_least else "allowed"
    return f": {_number(finding.worst)} {finding.unit}, {allowed} {_number(finding.bound)} {finding.unit}"


# -- a joint ----------------------------------------------------------------------------------------------------------


def _joint(profile: Profile, joint: Joint, physics: JointPhysics | None, result: CheckResult) -> str:
    model = joint_model(profile, joint) if physics is None else physics.model
    own = [finding for finding in result.findings if finding.joint == joint.name]
    notes = [note.text for note in result.notes if note.joint == joint.name]
    plots = JointPlots(profile=profile, joint=joint, model=model, physics=physics, findings=own).figures()
    worth = "<h3>Worth knowing, no fault</h3><ul class=notes>" + "".join(f"<li>{escaped(text)}</li>" for text in notes)
    return (
        f'<section><h2 id="joint-{escaped(joint.name)}">{escaped(_title(joint))}</h2>'
        f'<p class="about">{escaped(_about(joint))}</p>'
        f'<div class="joint"><div>{_linkage(joint, model)}</div>'
        f'<div class="plots2">{"".join(plots)}</div></div>'
        f"{worth + '</ul>' if notes else ''}{_findings(own)}</section>"
    )


def _about(joint: Joint) -> str:
    drive = joint.drive
    mark = "" if drive.mark is None else f" {drive.mark}"
    if isinstance(drive, CylinderDrive):
        size = "/".join(f"{float(value) * 1000.0:.4g}" for value in (drive.bore_m, drive.rod_m))
        words = f"cylinder{mark}, bore and rod {size} mm, stroke {float(drive.stroke_m) * 1000.0:.4g} mm, closed "
        words += f"{float(drive.closed_length_m) * 1000.0:.4g} mm, extends {_way(drive.extends_positive)}"
    elif isinstance(drive, MotorDrive):
        words = f"motor{mark}, {float(drive.displacement_m3_rev) * 1e6:.4g} cm3/rev, gear ratio "
        words += f"{float(drive.gear_ratio):g}"
    else:
        words = f"electric actuator{mark}, {float(drive.speed_deg_s):g} deg/s, {float(drive.torque_n_m):g} N m"
    axis = {"vertical": "turns about the vertical", "pitch": "lifts", "roll": "rolls", "grip": "grips"}[joint.axis]
    held = "nothing holds it" if joint.holding.kind == "none" else f"held by {joint.holding.kind.replace('_', ' ')}"
    named = f"{joint.name}: " if joint.name != _title(joint) else ""
    hydraulic = "" if isinstance(drive, ElectricDrive) else f"; {held}"
    return f"{named}{axis}; {words}{hydraulic}"


def _way(extends_positive: bool) -> str:
    return "the positive way" if extends_positive else "the negative way"


def _linkage(joint: Joint, model: JointModel) -> str:
    drawing = linkage_drawing(joint, model)
    if not drawing:
        why = (
            "This joint has no cylinder, so it has no linkage and its lever arm is the same at every angle."
            if model.linkage is None
            else "The profile gives no hard stops, so there is no travel to draw."
        )
        return f'<div class="missing"><p>{why}</p></div>'
    head = "".join(
        f"<th{' class=n' if number else ''}>{name}</th>"
        for number, name in enumerate(
            ("place", "angle, deg", "between radii, deg", "pin to pin, mm", "rod out, mm", "lever arm, mm")
        )
    )
    rows = "".join(
        "<tr>" + "".join(f"<td{' class=n' if number else ''}>{cell}</td>" for number, cell in enumerate(row)) + "</tr>"
        for row in place_rows(joint, model)
    )
    return (
        f"<figure><figcaption>Linkage, to scale, {_VIEWS[joint.axis]}</figcaption>{drawing}</figure>"
        f'<div class="scroll"><table class="small"><tr>{head}</tr>{rows}</table></div>'
    )


# -- tables -----------------------------------------------------------------------------------------------------------


def _findings(findings: Sequence[Finding]) -> str:
    head = (
        "<tr><th>limit</th><th>status</th><th class=n>worst</th><th class=n>bound</th><th class=n>margin</th>"
        "<th>unit</th><th>evidence</th><th class=n>cases</th></tr>"
    )
    rows = "".join(
        f"<tr{' class=bad' if finding.status in _BAD else ''}><td>{escaped(finding.limit)}</td>"
        f"<td>{_status(finding)}</td><td class=n>{_number(finding.worst)}</td>"
        f"<td class=n>{_bound(finding)}</td><td class=n>{_number(finding.margin)}</td>"
        f"<td>{escaped(finding.unit)}</td><td>{escaped(finding.evidence.value)}</td>"
        f"<td class=n>{finding.cases}</td></tr>"
        for finding in findings
    )
    return (
        f'<h3>Findings</h3><div class="scroll"><table class="findings">{head}{rows}</table></div>'
        "<details open><summary>What was shown of each, and where the worst case is</summary>"
        f"{_definitions((finding.limit, finding.detail) for finding in findings)}</details>"
    )


def _bound(finding: Finding) -> str:
    if finding.bound is None:
        return "–"
    return f"{'≥' if finding.at_least else '≤'} {_number(finding.bound)}"


def _definitions(items: Iterable[tuple[str, str]]) -> str:
    rows = "".join(f"<dt>{escaped(name)}</dt><dd>{escaped(text)}</dd>" for name, text in items)
    return f'<dl class="more">{rows}</dl>'


# -- the arm ----------------------------------------------------------------------------------------------------------


def _arm(profile: Profile, physics: dict[str, JointPhysics]) -> str:
    case = lift_case(profile, physics)
    if case is None:
        bare = [joint.name for joint in profile.joints if joint.axis == "pitch" and joint.body is None]
        keys = ", ".join(f"[joints.{name}.body]" for name in bare)
        why = (
            f"The profile does not say what the arm weighs: write {keys} with mass, centre and length."
            if bare
            else "No joint of this machine lifts, so there is no lift torque to draw a pose of."
        )
        return f'<div class="missing"><p>{escaped(why)}</p></div>'
    reach = reach_of(profile, case.load_name)
    lifting = _title(profile.joints[case.joint_index])
    about = (
        f"The pose in which gravity sets most against {lifting}: {case.torque_n_m / 1000.0:.3g} kN m with load "
        f"{case.load_name}, ground tilted by up to {float(profile.tilt_deg):g} deg; {pose_words(profile, case)}. "
        "Crosses are the centres of the bodies; the bar at the load is how far its centre may lie off the roll axis. "
        "Lengths count from the pivot of the first joint that turns (dotted line). Swing and roll at 0."
    )
    far = (
        "The arm does not turn in one upright plane, so its reach is not drawn."
        if reach is None
        else "Shaded: where the load's centre on the roll axis can get between the hard stops, whatever is in its way; "
        "places in the midst that no pose reaches are shaded, too."
    )
    return (
        "<figure><figcaption>The arm, to scale, seen from its right-hand side</figcaption>"
        f'{arm_drawing(profile, case, reach)}</figure><p class="about">{escaped(about)} {escaped(far)}</p>'
    )
