"""The command line: finds a command's file, turns refusals into one line and an exit code.

Exit codes: 0 done, 1 a check failed, 2 bad input. Commands are imported only when called, so that ``--help``
stays quick.
"""

from __future__ import annotations

import importlib
import os
import sys

import click

from pingloom.bench.console import Interrupted
from pingloom.imaging.errors import PingloomError

__all__ = ["COMMANDS", "main"]

COMMANDS = {
    "demo": "Simulate a small scene, image it two ways, measure it: the whole job at once.",
    "simulate": "Write the echoes that a sonar would record of a scenario, with their truth.",
    "validate": "Check a recording line by line against the file contract.",
    "inspect": "Say on one screen what a file is and what is in it.",
    "estimate": "Learn altitude, array errors and residual motion from a recording's echoes.",
    "image": "Form seabed images from a recording.",
    "merge": "Add parts of a line, imaged apart, up to the whole.",
    "measure": "Measure speckle, resolution and contrast on a product.",
    "mosaic": "Put strips of many legs and both sides on one north-up map.",
    "export": "Write a product as a picture, a map or tiles for recognition programs.",
    "contact": "Crop a contact with its shadow, measure length and height.",
    "bench": "Time every stage beside what others would write; cost, growth, image quality.",
    "quality": "Simulate the reference geometry and hold every figure against theory.",
    "budget": "Work out what each wrong belief does to place and level, by formula and as imaged.",
    "rows": "Compare ways of combining vertical rows in very shallow water: multipath by range, shadows.",
    "gallery": "Simulate, image and draw every preset, truth beside image.",
    "noise": "Hold a scenario's noise against published spectra, by kind and as recorded.",
    "mechanisms": "Switch each mechanism of the simulator on alone and measure what it does to an image.",
    "focus": "Focus a recording of a plane-wave array in water: one frame beside the average.",
    "evidence": "Print published and independent values beside ours: expected, got, verdict.",
}
"""Name and one-line help of every command, in the order of the work."""


class _LazyGroup(click.Group):
    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        module = importlib.import_module(f"pingloom.bench.commands.{name.replace('-', '_')}")
        return module.command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def resolve_command(self, ctx, args):
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            if args and args[0] not in COMMANDS and not args[0].startswith("-"):
                from pingloom.imaging.errors import nearest_name

                raise click.UsageError(f"no command '{args[0]}'{nearest_name(args[0], COMMANDS)}") from error
            raise


@click.group(
    cls=_LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Begin with: pingloom demo -o demo",
)
@click.version_option(package_name="pingloom")
def group() -> None:
    """Simulate, image and measure side-looking sonar, as it would run on board a small vehicle.

    An image is not an all-clear for ordnance, nor a chart for navigation. Sound sources can harm divers and
    marine mammals: local rules and licensed practice decide.
    """


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return its exit code; never a traceback for a user's mistake."""
    try:
        result = group.main(args=argv, prog_name="pingloom", standalone_mode=False)
        code = result if isinstance(result, int) else 0
    except click.exceptions.Exit as stop:
        code = stop.exit_code
    except (click.Abort, KeyboardInterrupt, Interrupted) as stop:
        left = str(stop) if isinstance(stop, Interrupted) else ""
        _complain(f"interrupted; {left or 'what was not whole yet is gone.'}")
        code = 130
    except click.exceptions.NoArgsIsHelpError as error:
        path = error.ctx.command_path
        _complain(f"no command given; {path} --help lists them. Begin with: {path} demo -o demo")
        code = 2
    except click.UsageError as error:
        hint = f" (see: {error.ctx.command_path} --help)" if error.ctx else ""
        _complain(f"{error.format_message()}{hint}")
        code = 2
    except click.ClickException as error:
        _complain(error.format_message())
        code = 2
    except PingloomError as error:
        _complain(str(error))
        code = 2
    except BrokenPipeError:
        # The reader of our output went away: not an error of ours. Keep the interpreter quiet at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    except OSError as error:
        _complain(f"{error.filename or 'file'}: {(error.strerror or str(error)).lower()}.")
        code = 2
    if argv is None:
        sys.exit(code)
    return code


def _complain(message: str) -> None:
    click.echo("pingloom: " + " ".join(message.split()), err=True)
