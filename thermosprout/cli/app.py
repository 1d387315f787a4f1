"""The command line: commands are gathered here, and every error becomes one sentence here."""

from __future__ import annotations

import os
import sys
from typing import Annotated

import typer

from thermosprout import __version__
from thermosprout.cli.help import Overview, use_commands
from thermosprout.errors import ThermosproutError

app = typer.Typer(
    name="thermosprout",
    cls=Overview,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="When will this row come up, and is it worth soaking or sprouting the seed first?",
)


def _version(shown: bool) -> None:
    if shown:
        typer.echo(f"thermosprout {__version__}")
        raise typer.Exit


@app.callback()
def root(
    ctx: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
    plain: Annotated[
        bool,
        typer.Option("--plain", help="Print tables as tab-separated lines; goes anywhere."),
    ] = False,
) -> None:
    """Take the options common to all commands."""
    if plain:
        from thermosprout.cli.output import plain_tables

        ctx.with_resource(plain_tables())


def _gather() -> None:
    """Add each command group; the modules are light and import science only when run."""
    from thermosprout.cli import calibrate, crops, decide, map, record, season, soil, start, trial

    for command in (
        season.forecast,
        season.demo,
        start.start,
        season.report,
        season.week,
        season.method,
        crops.crops,
        crops.lot,
        record.record,
        calibrate.calibrate,
        decide.compare,
        decide.presprout,
        decide.window,
        decide.stations,
        decide.succession,
        decide.sow_again,
    ):
        app.command()(command)
    app.add_typer(trial.app, name="trial")
    app.add_typer(soil.app, name="soil")
    app.command("map")(map.map_grid)
    use_commands(app)


_gather()


_STOPPED = 130


def main() -> None:
    """Run the command line and end with the exit code the error carries."""
    # The matrices are small: threads of the linear algebra would wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    from thermosprout.cli.output import note, speak_any_encoding

    speak_any_encoding()
    try:
        app()
    except ThermosproutError as error:
        note(f"thermosprout: {error}")
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, SystemExit) as end:
        # The command line's library turns Ctrl-C into a silent exit.
        if isinstance(end, SystemExit) and end.code != _STOPPED:
            raise
        note("thermosprout: stopped. No half-written file was left.")
        sys.exit(_STOPPED)
    except BrokenPipeError:
        # The reader of a pipe has gone: write nothing more, not even at interpreter exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("THERMOSPROUT_DEBUG"):
            raise
        kind = type(error).__name__
        note(
            f"thermosprout: this should not have happened ({kind}: {error}); set "
            "THERMOSPROUT_DEBUG=1 and run again to see where."
        )
        sys.exit(1)
