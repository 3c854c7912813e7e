"""The command line: one module a verb, imported only when it is called, so that `mapper --help` stays quick.

Exit codes: 0 done, 1 a limit does not hold, 2 a file cannot be read, 3 the link failed or the values were not
confirmed, 64 the command line is wrong, 130 stopped by the user (Ctrl-C, or the end of the input at a question), 129
and 143 ended by SIGHUP and SIGTERM.
"""

from __future__ import annotations

import importlib
import sys

import click

from mapper import __version__
from mapper.errors import MapperError

_VERBS = {
    "advise": "Find the fastest speeds, steepest ramps and widest travel that still hold.",
    "check": "Check every limit of a profile, with the evidence for each.",
    "compare": "Show what changed between two profiles, and what it did to every margin.",
    "controller": "Run a simulated controller and arm on a serial port, to practise on.",
    "journal": "Show every upload on record, and whether the controller's table is one of them.",
    "readback": "Show what is in the controller, and whether it is this profile.",
    "rehearse": "The whole job without the machine: check, upload, read back, replay.",
    "replay": "Run a recording through the control law and a model of the arm.",
    "schema": "Print the JSON Schema of the profile, or a list of its keys.",
    "upload": "Put a checked profile into the controller.",
}

EXIT_USAGE = 64


class _Verbs(click.Group):
    """Finds a verb's command in the module of its name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return sorted(_VERBS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _VERBS:
            return None
        command = importlib.import_module(f"mapper.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(sorted(_VERBS.items()))


@click.command(
    cls=_Verbs,
    epilog="Machines that this tool sets up can crush. It is the second line of safety, never the first: a hard-wired "
    "emergency stop that dumps pressure without the controller comes first.\n\n"
    "Exit codes: 0 done; 1 a limit does not hold; 2 a file cannot be read; 3 the link failed or the values were not "
    "confirmed; 64 the command line is wrong; 130 stopped by the user (Ctrl-C, or the end of the input at a question); "
    "129 and 143 ended by a signal (SIGHUP, SIGTERM).",
)
@click.version_option(__version__, prog_name="mapper")
def mapper() -> None:
    """Map an operator's sensors to the valves of a hydraulic arm: describe, check, replay, upload."""


def main(arguments: list[str] | None = None) -> None:
    """Entry point. Every error a user may see is printed as text, never as a traceback."""
    try:
        code = mapper.main(args=arguments, prog_name="mapper", standalone_mode=False)
        sys.exit(code if isinstance(code, int) else 0)
    except click.exceptions.Abort:
        click.echo("stopped by the user; nothing further was done", err=True)
        sys.exit(130)
    except click.UsageError as error:
        error.show()
        sys.exit(EXIT_USAGE)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except MapperError as error:
        click.echo(str(error), err=True)
        sys.exit(error.exit_code)


if __name__ == "__main__":
    main()
