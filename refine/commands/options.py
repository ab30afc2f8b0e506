"""The options that several commands have."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

_Command = TypeVar("_Command", bound=Callable[..., Any])


class _Path(click.Path):
    """A path that isn't empty: an unset variable of a shell must not mean the folder where one stands."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if value == "":
            self.fail("an empty name; give a file or folder", param, ctx)
        return super().convert(value, param, ctx)


PATH = _Path(path_type=Path)

file = click.argument("file", type=PATH)
force = click.option("--force", is_flag=True, help="Write over an existing output file.")
picture = click.option(
    "--picture",
    type=PATH,
    metavar="SVG",
    help="Write a picture: arc, spacing, curve, before and after.",
)


thresholds = click.option(
    "--thresholds",
    multiple=True,
    type=PATH,
    metavar="TOML",
    help="Numbers of your own, over the built-in table. Repeatable.",
)


def common(command: _Command) -> _Command:
    """Options that every command has."""
    command = click.option("--quiet", "-q", is_flag=True, help="No messages on stderr, errors excepted.")(
        command
    )
    return click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")(command)


def of_a_range(command: _Command) -> _Command:
    """Options of the commands that work on a range."""
    pins = click.option(
        "--pin", "pins", multiple=True, metavar="CONTROL[.CHANNEL]@FRAME[:FRAME]",
        help="Hold a key, a pose or a range, on top of the shot's own pins. Repeatable.",
    )  # fmt: skip
    controls = click.option(
        "--controls",
        multiple=True,
        metavar="A,B",
        help="Look at these controls only. Repeatable. Default: all.",
    )
    frames = click.option("--frames", metavar="A:B", help="The flagged range, both frames included.")
    camera = click.option("--camera", metavar="NAME", help="Measure through this camera. Default: the first.")
    for option in (camera, pins, controls, frames):
        command = option(command)
    return command
