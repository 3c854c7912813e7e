"""`mapper check`: readable, exact JSON, exit codes."""

from __future__ import annotations

import json

import pytest
from check_case import KERB, STAND, text_of, tight_stand, with_value
from click.testing import CliRunner

from mapper.cli import main
from mapper.cli.check import command

JSON_KEYS = ["limit", "joint", "status", "evidence", "cases", "worst", "bound", "unit", "margin", "advice"]


@pytest.fixture
def stand(tmp_path):
    path = tmp_path / "stand.toml"
    path.write_text(text_of(STAND), encoding="utf-8")
    return path


@pytest.fixture
def broken(tmp_path):
    path = tmp_path / "broken.toml"
    path.write_text(with_value(text_of(STAND), "joints.lever.valve.positive.jump", '"19 %"'), encoding="utf-8")
    return path


def run(*arguments: str):
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)


def test_a_profile_that_holds_ends_with_0_and_the_next_step(stand):
    result = run(str(stand))

    assert result.return_value == 0
    lines = result.output.rstrip().split("\n")
    assert "holds" in lines[0]
    assert lines[-1].startswith("Every limit examined holds. Next: mapper replay")
    assert "Not examined by this version:" in lines


def test_what_does_not_hold_is_explained_first_with_its_remedy(broken):
    result = run(str(broken))

    assert result.return_value == 1
    lines = result.output.rstrip().split("\n")
    assert lines[2] == "VIOLATED: deadband_jump of lever: 19 %, allowed 18.5 %"
    assert 'what to do: write at most joints.lever.valve.positive.jump = "18.5 %"' in lines[4]
    assert lines[-1].startswith("1 limit does not hold")
    assert "Do not upload" in lines[-1]


def test_json_is_one_document_with_the_agreed_keys(broken):
    result = run(str(broken), "--json")
    document = json.loads(result.output)

    assert result.return_value == 1
    keys = ["profile", "digest", "result", "findings", "not_examined", "notes"]
    assert list(document) == [*keys, "mend_order", "unused_waivers", "search"]
    assert document["profile"] == str(broken)
    assert document["result"] == "does not hold"
    assert len(document["digest"]) == 16
    for item in document["findings"]:
        assert list(item)[: len(JSON_KEYS)] == JSON_KEYS
        assert item["status"] in ("holds", "violated", "not shown", "holds with waiver")
    wrong = [item for item in document["findings"] if item["status"] == "violated"]
    assert [(item["limit"], item["joint"], item["margin"]) for item in wrong] == [("deadband_jump", "lever", -0.5)]


def test_kerb_arm_has_findings_for_all_six_joints_and_none_violated(root):
    result = run(str(root / "profiles" / f"{KERB}.toml"), "--json")
    document = json.loads(result.output)

    joints = list(dict.fromkeys(item["joint"] for item in document["findings"]))
    assert result.return_value == 0
    assert joints == ["boom_swing", "boom_lift", "elbow", "wrist_pitch", "wrist_roll", "clamp", None]
    assert {item["status"] for item in document["findings"]} == {"holds"}


def test_one_joint_can_be_shown_alone_and_the_result_stays(broken):
    result = run(str(broken), "--joint", "lever", "--json")
    document = json.loads(result.output)

    assert {item["joint"] for item in document["findings"]} == {"lever"}
    assert document["result"] == "does not hold"


def test_verbose_says_what_was_shown(stand):
    plain, verbose = run(str(stand)).output, run(str(stand), "--verbose").output

    assert "comparison with a room" not in plain
    assert "comparison with a room" in verbose


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["check", "no-such-file.toml"], 2, "cannot be read"),
        (["check", "STAND", "--joint", "elbow"], 64, "there are lever"),
        (["check"], 64, "PROFILE"),
        (["check", "STAND", "--colour"], 64, "No such option"),
    ],
)
def test_wrong_command_lines_and_files(arguments, code, words, stand, capsys):
    with pytest.raises(SystemExit) as left:
        main([str(stand) if word == "STAND" else word for word in arguments])

    assert left.value.code == code
    assert words in capsys.readouterr().err


def test_a_misspelt_profile_ends_with_2_and_its_place(tmp_path, capsys):
    path = tmp_path / "misspelt.toml"
    path.write_text(text_of(STAND).replace("acceleration = ", "acelleration = ", 1), encoding="utf-8")

    with pytest.raises(SystemExit) as left:
        main(["check", str(path)])

    assert left.value.code == 2
    assert f"{path}:" in capsys.readouterr().err


def test_a_waiver_is_printed(tmp_path):
    text = with_value(tight_stand(), "joints.lever.limits.soft_stops.upper", '"34.55 deg"')
    text += '\n[[waivers]]\nlimit = "soft_stop_overrun"\njoint = "lever"\nreason = "bumpers fitted"\n'
    path = tmp_path / "waived.toml"
    path.write_text(text, encoding="utf-8")
    result = run(str(path))

    assert result.return_value == 0
    assert "HOLDS WITH WAIVER: soft_stop_overrun_upper of lever" in result.output
    assert "bumpers fitted" in result.output
    assert "waived in the profile" in result.output.rstrip().split("\n")[-1]


def test_an_unused_waiver_is_in_the_text_and_in_the_json(tmp_path):
    path = tmp_path / "waived.toml"
    waiver = '\n[[waivers]]\nlimit = "ramp"\njoint = "lever"\nreason = "bumpers fitted"\n'
    path.write_text(text_of(STAND) + waiver, encoding="utf-8")

    assert "waiver not used: ramp of lever" in run(str(path)).output
    document = json.loads(run(str(path), "--json").output)
    assert document["unused_waivers"] == [{"limit": "ramp", "joint": "lever", "reason": "bumpers fitted"}]


def test_rules_have_no_margin_and_least_values_say_so(stand):
    text = run(str(stand)).output
    found = {item["limit"]: item for item in json.loads(run(str(stand), "--json").output)["findings"]}

    line = next(line for line in text.split("\n") if line.startswith("  ramp"))
    assert line.split()[1:6] == ["holds", "60", "60", "-", "deg/s2"]
    assert found["ramp"]["margin"] is None
    assert (found["sensor_window"]["bound_is"], found["motion_watches"]["bound_is"]) == ("least", "most")


def test_notes_are_printed_and_in_the_json(stand):
    text = run(str(stand)).output
    notes = json.loads(run(str(stand), "--json").output)["notes"]

    assert [note["joint"] for note in notes] == ["lever", "lever", "lever"]
    assert all(note["text"] in text for note in notes)
    assert all("of room before a soft stop" in note["text"] for note in notes[:2])  # its areas differ, so do its ways
    assert "with its spool stuck open it goes 9 deg" in notes[2]["text"]  # 45 deg/s for 200 ms


def test_two_numbers_for_one_speed_end_in_one_line(tmp_path):
    text = with_value(text_of(STAND), "supply.flow", '"3 l/min"')
    text = with_value(text, "joints.lever.limits.speed_never_above", '{positive = "40 deg/s", negative = "40 deg/s"}')
    path = tmp_path / "slow.toml"
    path.write_text(text, encoding="utf-8")

    assert "one change that satisfies all advice on it: joints.lever.limits.speed." in run(str(path)).output


# -- --explain


def test_explain_shows_question_formula_numbers_result_evidence_and_source(stand):
    result = run(str(stand), "--explain", "travel")
    lines = result.output.rstrip().split("\n")

    assert result.return_value == 0
    assert lines[2] == "travel of lever: holds"
    titles = [line.strip() for line in lines if line.startswith("  ") and not line.startswith("   ")]
    assert titles == ["what it asks", "formula", "numbers at the worst case", "result", "evidence", "source"]
    assert "      L = sqrt(a^2 + b^2 - 2 a b cos f)" in lines
    assert any(line.split()[:4] == ["a", "=", "300", "mm"] for line in lines)
    assert "law of cosines" in result.output
    assert "Not examined by this version:" not in lines
    assert lines[-1].startswith("Every limit examined holds.")
    assert all(len(line) <= 130 for line in lines[2:-1])


def test_explain_without_a_side_covers_both_and_one_side_itself(stand):
    both = run(str(stand), "--explain", "soft_stop_overrun").output
    one = run(str(stand), "--explain", "soft_stop_overrun_lower").output

    assert "soft_stop_overrun_upper of lever: holds" in both
    assert "soft_stop_overrun_lower of lever: holds" in both
    assert "soft_stop_overrun_upper" not in one
    assert "soft_stop_overrun_lower of lever: holds" in one


def test_explain_of_what_does_not_hold_says_what_to_do_and_ends_with_1(broken):
    result = run(str(broken), "--explain", "deadband_jump")

    assert result.return_value == 1
    assert "deadband_jump of lever: violated" in result.output
    assert "19 %, at most 18.5 %: 0.5 % missing: does not hold" in result.output
    assert "  what to do" in result.output.split("\n")
    assert 'joints.lever.valve.positive.jump = "18.5 %"' in result.output


def test_the_result_stays_the_whole_profiles(broken):
    result = run(str(broken), "--explain", "travel")

    assert result.return_value == 1
    assert "travel of lever: holds" in result.output
    assert "1 limit does not hold" in result.output


def test_explain_of_one_joint_of_six(root):
    profile = str(root / "profiles" / f"{KERB}.toml")
    every = run(profile, "--explain", "travel").output
    one = run(profile, "--explain", "travel", "--joint", "elbow").output
    none = run(profile, "--explain", "travel", "--joint", "wrist_roll").output

    assert every.count("  what it asks\n") == 5
    assert one.count("  what it asks\n") == 1
    assert "travel of elbow" in one
    assert "travel has no finding for wrist_roll" in none
    assert "hard stop to hard stop" in none


def test_explain_of_a_limit_not_examined_says_why(stand):
    result = run(str(stand), "--explain", "fatigue")

    assert "fatigue is not examined by this version:" in result.output
    assert "load cycles" in result.output


def test_each_way_of_an_advice_stands_on_lines_of_its_own(tmp_path):
    path = tmp_path / "short.toml"
    path.write_text(with_value(text_of(STAND), "joints.lever.drive.stroke", '"135 mm"'), encoding="utf-8")
    lines = run(str(path), "--explain", "travel").output.split("\n")

    starts = [line for line in lines if line.startswith("      joints.lever.")]
    assert len(starts) >= 4
    assert any("drive.rod_radius" in line for line in starts)


def test_explain_with_json_adds_an_object_to_each_finding_of_the_limit(stand):
    plain = json.loads(run(str(stand), "--json").output)
    document = json.loads(run(str(stand), "--json", "--explain", "speed_limit").output)

    assert list(document) == list(plain)
    assert all("explanation" not in item for item in plain["findings"])
    (found,) = document["findings"]
    assert found["limit"] == "speed_limit"
    assert list(found["explanation"]) == ["asks", "formula", "given", "shown", "source"]
    given = {one["symbol"]: one for one in found["explanation"]["given"]}
    assert given["v"]["value"] == pytest.approx(found["worst"], rel=1e-5)
    assert list(given["v"]) == ["symbol", "meaning", "value", "unit"]


@pytest.mark.parametrize(("typed", "words"), [("trvl", "nearest: travel"), ("zzz", "no such limit; there are")])
def test_an_unknown_limit_is_a_wrong_command_line_with_the_list(typed, words, stand, capsys):
    with pytest.raises(SystemExit) as left:
        main(["check", str(stand), "--explain", typed])

    said = capsys.readouterr()
    assert left.value.code == 64
    assert words in said.err
    assert "as_written, drive_range" in said.err
    assert "fatigue" in said.err
    assert said.out == ""
