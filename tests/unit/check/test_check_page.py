"""The page of a check: everything that was found, what is missing, nothing that runs or loads; and the command."""

from __future__ import annotations

import html
import itertools
import json
import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest
from check_case import KERB, STAND, check_text, profile_of, text_of, tight_stand, with_value
from click.testing import CliRunner
from make_profile import joint_named, with_electric_joint, worked
from page_case import shapes, svgs

from mapper.check.finding import Evidence, Finding, Status
from mapper.check.page.drawing import linkage_drawing
from mapper.check.page.joint_plots import JointPlots
from mapper.check.page.page import check_page
from mapper.check.page.svg import FONT
from mapper.cli import main
from mapper.cli.check import command
from mapper.machine import joint_model
from mapper.machine.physics import joint_physics

CYLINDERS = ("boom_swing", "boom_lift", "elbow", "wrist_pitch", "clamp")


def page_of(text: str) -> str:
    return check_page(profile_of(text), check_text(text))


@pytest.fixture(scope="module")
def kerb_page():
    return page_of(text_of(KERB))


@pytest.fixture(scope="module")
def kerb():
    return worked(KERB)


def without(text: str, *tables: str) -> str:
    for table in tables:
        text, count = re.subn(rf"(?m)^\[{re.escape(table)}\]\n(?:(?!^\[).*\n)*", "", text)
        assert count == 1, table
    return text


# -- what is on the page ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", [KERB, STAND])
def test_every_finding_is_on_the_page_with_its_numbers_and_its_detail(name):
    page, result = page_of(text_of(name)), check_text(text_of(name))
    sections = re.split(r'<h2 id="(?:joint-)?([^"]+)">', page)
    parts = dict(zip(sections[1::2], sections[2::2], strict=True))

    assert len(result.findings) > 30
    for finding in result.findings:
        part = parts[finding.joint or "machine"]
        row = re.search(rf"<tr[^>]*><td>{finding.limit}</td>.*?</tr>", part)
        assert row is not None, finding.limit
        cells = [html.unescape(re.sub(r"<[^>]+>", "", cell)) for cell in re.findall(r"<td.*?</td>", row[0])]
        assert cells[1] == finding.status.value
        assert [float(cell.strip("≤≥ ")) for cell in cells[2:5] if cell != "–"] == pytest.approx(
            [value for value in (finding.worst, finding.bound, finding.margin) if value is not None], abs=0.0006
        )
        assert cells[3].startswith("≥") == finding.at_least
        assert cells[5:] == [finding.unit, finding.evidence.value, str(finding.cases)]
        assert f"<dt>{finding.limit}</dt><dd>{html.escape(finding.detail)}</dd>" in part


def test_parts_stand_in_their_order_and_say_what_they_are(kerb_page, kerb):
    result = check_text(text_of(KERB))
    order = [
        f"<h1>Check of {html.escape(kerb.machine_name)}",
        result.digest,
        f"Result: {result.result}",
        "none was measured",
        "no certificate",
        "hard-wired emergency stop",
        "What does not hold",
        *(f'id="joint-{joint.name}"' for joint in kerb.joints),
        'id="arm"',
        'id="machine"',
        'id="open"',
        *(item.limit for item in result.not_examined),
    ]
    places = []
    for text in order:
        places.append(kerb_page.index(text, places[-1] if places else 0))

    assert places == sorted(places)
    assert all(html.escape(note.text) in kerb_page for note in result.notes)
    assert all(html.escape(item.why) in kerb_page for item in result.not_examined)


def test_what_does_not_hold_comes_first_with_each_way_to_mend_it():
    text = with_value(text_of(KERB), "joints.elbow.drive.included_at_zero", '"150 deg"')
    page, result = page_of(text), check_text(text)
    first = page[page.index('<h2 id="wrong">') : page.index('id="joint-boom_swing"')]
    bad = [finding for finding in result.findings if finding.status is not Status.HOLDS]

    assert "Result: does not hold" in page
    assert any(" | " in finding.advice for finding in bad)
    for finding in bad:
        assert f"{finding.limit} of {finding.joint}" in first
        assert html.escape(finding.detail) in first
        for way in finding.advice.split(" | "):
            assert f"<li>{html.escape(way)}</li>" in first


def test_a_waiver_stands_with_its_reason_and_an_unused_one_too():
    text = with_value(tight_stand(), "joints.lever.limits.soft_stops.upper", '"34.55 deg"')
    text += '\n[[waivers]]\nlimit = "soft_stop_overrun"\njoint = "lever"\nreason = "bumpers <fitted>"\n'
    text += '\n[[waivers]]\nlimit = "ramp"\njoint = "lever"\nreason = "no reason at all"\n'
    page = page_of(text)
    first = page[page.index('<h2 id="wrong">') : page.index('id="joint-lever"')]

    assert "Result: holds with waivers" in page
    assert "holds with waiver</span>: <b>soft_stop_overrun_upper of lever</b>" in first
    assert "bumpers &lt;fitted&gt;" in first
    assert "Waiver not used: ramp of lever" in first


def test_findings_that_lack_the_same_are_told_once():
    lacking = Finding(
        limit="force", joint="a", status=Status.NOT_SHOWN, evidence=Evidence.NONE, cases=0, worst=None, bound=None,
        unit="bar", margin=None, detail="no body", advice="write one",
    )  # fmt: skip
    other = replace(lacking, limit="buckling", detail="no rod")
    findings = (lacking, other, replace(lacking, limit="power", joint="b"), replace(lacking, limit="hunting"))
    result = replace(check_text(text_of(STAND)), findings=findings, result="does not hold")
    page = check_page(worked(STAND), result)

    assert "<b>force, hunting of a; power of b</b>" in page
    assert "<b>buckling of a</b>" in page
    assert page.count('<div class="wrong">') == 2


def test_nothing_runs_and_nothing_is_loaded(kerb_page):
    bare = kerb_page.replace('xmlns="http://www.w3.org/2000/svg"', "")

    for word in (
        "<script",
        "javascript:",
        "http:",
        "https:",
        "//",
        "src=",
        "@import",
        "url(",
        "<link",
        " onload",
        "<img",
    ):
        assert word not in bare, word
    assert set(re.findall(r'href="([^"]*)"', bare)) <= {f"#{name}" for name in re.findall(r'id="([^"]*)"', bare)}


def test_drawings_are_well_formed_and_say_in_words_what_they_show(kerb_page, kerb):
    drawings = svgs(kerb_page)
    shown = [svg for svg in drawings if svg.get("role") == "img"]

    assert len([svg for svg in shown if svg.get("class") == "linkage"]) == len(CYLINDERS)
    assert len([svg for svg in shown if svg.get("class") == "arm"]) == 1
    assert len([svg for svg in shown if svg.get("class") == "plot"]) == 4 * len(kerb.joints) - 1  # a motor has no lever
    assert all(len(svg.get("aria-label")) > 40 for svg in shown)
    assert all(svg.get("aria-hidden") == "true" for svg in drawings if svg not in shown)


def test_no_two_labels_of_a_drawing_overlap(kerb_page):
    for svg in svgs(kerb_page):
        labels = shapes(svg, "label")
        boxes = [(float(item.get("x")), float(item.get("y")), 0.25 * FONT * len(item.text)) for item in labels]
        for (x0, y0, half0), (x1, y1, half1) in itertools.combinations(boxes, 2):
            assert abs(x0 - x1) >= half0 + half1 or abs(y0 - y1) >= 0.9 * FONT, svg.get("aria-label")


def test_odd_names_are_text_and_never_markup():
    odd = '<script>alert(1)</script> & "El\'bow" ]]> \u007f\u00e9'
    text = text_of(STAND).replace('title = "Lever"', f"title = {json.dumps(odd)}", 1)
    text = with_value(text, "machine.name", json.dumps(f"</title>{odd}"))
    page = page_of(text)

    assert "<script" not in page
    assert page.count("</title>") == 1
    assert page.count(html.escape(odd)) >= 6
    assert any(odd in svg.get("aria-label") for svg in svgs(page) if svg.get("role") == "img")


def test_control_characters_do_not_break_the_drawings(kerb):
    joint = replace(joint_named(kerb, "elbow"), title="El\x00b\x1bow")
    svg = ElementTree.fromstring(linkage_drawing(joint, joint_model(kerb, joint)))

    assert "Elbow" in svg.get("aria-label")


# -- what is missing --------------------------------------------------------------------------------------------------


def test_without_bodies_the_page_says_what_to_add_where_plots_would_be():
    bodies = [f"joints.{name}.body" for name in ("boom_lift", "elbow", "wrist_pitch")]
    page = page_of(without(text_of(KERB), *bodies))
    lift = page[page.index('id="joint-boom_lift"') : page.index('id="joint-elbow"')]
    arm = page[page.index('<h2 id="arm">') : page.index('<h2 id="machine">')]

    assert [svg.get("aria-label").split(" over ")[0] for svg in svgs(lift) if svg.get("class") == "plot"] == [
        "Boom lift: Lever arm",
        "Boom lift: Flow at full speed",
    ]
    assert lift.count("What to do: write [joints.boom_lift.body], [joints.elbow.body], [joints.wrist_pitch.body]") == 2
    assert "<svg" not in arm
    assert all(f"[{name}]" in arm for name in bodies)


def test_without_hoses_only_the_natural_frequency_is_missing():
    page = page_of(without(text_of(STAND), "joints.lever.hoses"))

    assert len([svg for svg in svgs(page) if svg.get("class") == "plot"]) == 3
    assert "What to do: write [joints.lever.hoses]" in page


def test_a_motor_has_no_linkage_and_an_electric_joint_no_oil(kerb):
    motor = joint_named(kerb, "wrist_roll")
    assert linkage_drawing(motor, joint_model(kerb, motor)) == ""

    profile = with_electric_joint()
    joint = next(one for one in profile.joints if not joint_model(profile, one).takes_pump_flow)
    physics = joint_physics(profile)[joint.name]
    lever, torque, frequency, flow = JointPlots(
        profile=profile, joint=joint, model=physics.model, physics=physics, findings=()
    ).figures()

    assert "No cylinder" in lever
    assert "N m" in torque
    assert f"the actuator has {float(joint.drive.torque_n_m):g} N m" in html.unescape(torque)
    assert "<svg" not in lever + frequency + flow


# -- command line -----------------------------------------------------------------------------------------------------


@pytest.fixture
def stand(tmp_path):
    path = tmp_path / "stand.toml"
    path.write_text(text_of(STAND), encoding="utf-8")
    return path


def run(*arguments: object):
    return CliRunner().invoke(command, [str(argument) for argument in arguments], standalone_mode=False)


def test_report_is_written_whole_and_its_path_printed(stand, tmp_path):
    report = tmp_path / "out" / "check.html"
    result = run(stand, "--report", report)
    written = report.read_text(encoding="utf-8")

    assert result.return_value == 0
    assert result.output.rstrip().split("\n")[-1] == f"report  {report}"
    assert written.startswith("<!doctype html>")
    assert written.endswith("</html>\n")
    assert [path.name for path in report.parent.iterdir()] == ["check.html"]


def test_an_older_report_is_replaced_and_json_names_it(stand, tmp_path):
    report = tmp_path / "check.html"
    report.write_text("old", encoding="utf-8")
    result = run(stand, "--json", "--report", report)

    assert json.loads(result.output)["report"] == str(report)
    assert "old" not in report.read_text(encoding="utf-8")[:10]
    assert "report" not in json.loads(run(stand, "--json").output)


def test_report_has_the_whole_profile_whatever_is_printed(tmp_path, root):
    report = tmp_path / "check.html"
    run(root / "profiles" / f"{KERB}.toml", "--joint", "elbow", "--report", report)

    assert 'id="joint-clamp"' in report.read_text(encoding="utf-8")


def test_a_profile_that_does_not_hold_still_gets_its_report(tmp_path):
    path, report = tmp_path / "broken.toml", tmp_path / "check.html"
    path.write_text(with_value(text_of(STAND), "joints.lever.valve.positive.jump", '"19 %"'), encoding="utf-8")
    result = run(path, "--report", report)

    assert result.return_value == 1
    assert "deadband_jump of lever" in report.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("where", "code", "words"),
    [
        ("stand.toml", 64, "that is the profile itself"),
        ("./x/../stand.toml", 64, "that is the profile itself"),
        (".", 2, "that is a directory"),
        ("stand.toml/check.html", 2, "cannot be written there"),
    ],
)
def test_places_where_no_report_can_be(where, code, words, stand, tmp_path, capsys):
    before = stand.read_bytes()
    (tmp_path / "x").mkdir()
    with pytest.raises(SystemExit) as left:
        main(["check", str(stand), "--report", f"{tmp_path}/{where}"])

    assert left.value.code == code
    assert words in capsys.readouterr().err
    assert stand.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["stand.toml", "x"]


def test_a_check_that_fails_halfway_leaves_the_older_report(stand, tmp_path, monkeypatch):
    report = tmp_path / "check.html"
    report.write_text("old", encoding="utf-8")
    monkeypatch.setattr("os.replace", lambda *paths: (_ for _ in ()).throw(OSError(28, "No space left on device")))
    result = run(stand, "--report", report)

    assert "No space left on device" in str(result.exception)
    assert report.read_text(encoding="utf-8") == "old"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["check.html", "stand.toml"]
