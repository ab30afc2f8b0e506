"""The command line: the list of commands, and how each ends.

0 fine; 1 differences found; 2 bad input or usage; 3 no solution within the constraints; 4 partly done. The result
goes to stdout, messages go to stderr.
"""

from __future__ import annotations

from typing import Any

import click

from refine.commands import outputs
from refine.commands.apply import apply
from refine.commands.check import check
from refine.commands.clean import clean
from refine.commands.compare import compare
from refine.commands.diff import diff
from refine.commands.show import show
from refine.commands.suggest import suggest
from refine.errors import InputError, RefineError

INTERRUPTED = 130


class _Group(click.Group):
    """Turns every error that a user may see into one line and its exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except RefineError as error:
            outputs.say(f"refine: {error}")
            ctx.exit(error.exit_code)
        except BrokenPipeError:  # the reader has seen enough: not an error, but nothing more can be printed
            outputs.close_stdout()
            ctx.exit(0)
        except MemoryError as error:
            outputs.say(f"refine: {_too_large(error)}")
            ctx.exit(InputError.exit_code)
        except KeyboardInterrupt:
            ctx.exit(INTERRUPTED)


def _too_large(error: MemoryError) -> str:
    """What is to be said where memory is short; numpy says how much it wanted."""
    wanted = str(error).split(" for an array")[0].replace("Unable", "unable") or "there isn't enough"
    return f"memory: {wanted}; the shot has too many frames or controls for this machine: cut it into parts"


@click.group(cls=_Group, context_settings={"help_option_names": ["--help", "-h"]})
@click.version_option(package_name="motion-refine", prog_name="refine")
def main() -> None:
    """Suggest, prove and undo small fixes for the polish pass on a character shot.

    Reads *.shot.json, *.keys.csv and *.bvh. Writes only where -o, --in-place, --keep, --picture or --pictures says so.
    """


for command in (show, check, suggest, apply, diff, compare, clean):
    main.add_command(command)
