"""`mapper compare`: what it prints, exact JSON, exit codes."""

from __future__ import annotations

import json

import pytest
from check_case import STAND, text_of, with_value
from click.testing import CliRunner

from mapper.cli import main
from mapper.cli.compare import command

FASTER = with_value(text_of(STAND), "joints.lever.limits.speed.positive", '"60 deg/s"')


@pytest.fixture
def files(tmp_path):
    """Writes texts as a.toml and b.toml; their paths."""

    def write(before: str, after: str) -> tuple[str, str]:
        for name, text in (("a.toml", before), ("b.toml", after)):
            (tmp_path / name).write_text(text, encoding="utf-8")
        return str(tmp_path / "a.toml"), str(tmp_path / "b.toml")

    return write


def run(*arguments: str):
    return CliRunner().invoke(command, list(arguments), standalone_mode=False)


def test_a_speed_that_is_too_high_is_told_first_with_both_margins(files):
    result = run(*files(text_of(STAND), FASTER))

    assert result.return_value == 1
    assert "joints.lever.limits.speed.positive" in result.output
    assert "30 deg/s  ->  60 deg/s" in result.output
    status = result.output.index("Status changed:")
    assert "speed_limit" in result.output[status : result.output.index("Margins that shrank")]
    assert "holds -> violated" in result.output
    assert "The tables differ" in result.output


def test_back_again_ends_with_0(files):
    result = run(*files(FASTER, text_of(STAND)))

    assert result.return_value == 0
    assert "violated -> holds" in result.output
    assert result.output.rstrip().endswith("B holds (holds). A did not.")


def test_the_same_file_has_the_same_bytes(files):
    result = run(*files(text_of(STAND), text_of(STAND)))

    assert result.return_value == 0
    assert "Both compile to the same bytes." in result.output
    assert "No key differs" in result.output


def test_another_comment_changes_the_digest_and_no_value(files):
    result = run(*files(text_of(STAND), text_of(STAND) + "# more\n"))

    assert result.return_value == 0
    assert "every value is the same" in result.output


def test_json_is_one_document(files):
    document = json.loads(run(*files(text_of(STAND), FASTER), "--json").output)

    assert document["same_table"] is False
    assert document["same_values"] is False
    assert [key["key"] for key in document["keys"]] == ["joints.lever.limits.speed.positive"]
    first = document["findings"][0]
    assert (first["kind"], first["worse"], first["after"]["status"]) == ("status", True, "violated")
    assert document["unchanged"] == sum(one["kind"] == "unchanged" for one in document["findings"])


@pytest.mark.parametrize("broken", ["a.toml", "b.toml"])
def test_a_file_that_cannot_be_read_ends_with_2(files, tmp_path, broken, capsys):
    paths = files(text_of(STAND), text_of(STAND))
    (tmp_path / broken).unlink()

    with pytest.raises(SystemExit) as stopped:
        main(["compare", *paths])

    assert stopped.value.code == 2
    assert broken in capsys.readouterr().err
