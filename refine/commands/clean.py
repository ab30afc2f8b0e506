"""`refine clean`: captured motion, a folder at a time."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from refine.commands import options, outputs


@click.command()
@click.argument("paths", nargs=-1, required=True, type=options.PATH, metavar="PATH...")
@click.option(
    "-o", "--out", required=True, type=options.PATH, metavar="FOLDER",
    help="Write the cleaned clips and the report into this folder.",
)  # fmt: skip
@click.option(
    "--strength", type=float, default=1.0, show_default=True, metavar="X",
    help="Divides the half-amplitude frequency that the noise asks for: of motion that fast half is left, slower "
    "motion stays. 0 smooths nothing, yet mends gaps and spikes.",
)  # fmt: skip
@click.option(
    "--keep-below",
    type=float,
    metavar="HZ",
    help="Smooth all joints alike: half is left of what moves at HZ.",
)
@click.option(
    "--fill",
    type=float,
    metavar="SECONDS",
    help="Fill gaps up to this long; longer ones are listed. Default: 0.5.",
)
@click.option("--keys", is_flag=True, help="Reduce the samples to few keys and write NAME.shot.json.")
@click.option(
    "--within", metavar="AMOUNT", help="How far keys may be off, such as 2mm, 1px or 0.5deg. Default: 2mm."
)
@click.option(
    "--at-most", metavar="AMOUNT", help="Set aside, unchanged, what would move by more, such as 50mm or 20px."
)
@click.option("--fps", type=float, metavar="N", help="Give the clips another frame rate.")
@click.option("--camera", metavar="NAME", help="Measure through this camera. Default: each clip's first.")
@click.option(
    "--check",
    is_flag=True,
    help="Look the cleaned clips over as `refine check` does and name what is left; takes about as long again.",
)
@click.option(
    "--jobs", type=click.IntRange(min=1), default=1, show_default=True, metavar="N",
    help="Work on so many clips at a time, each in a process of its own.",
)  # fmt: skip
@click.option(
    "--scheduler", metavar="ADDRESS", help="Let a cluster do the work: its dask.distributed scheduler."
)
@click.option("--resume", is_flag=True, help="Go on with a run that was stopped: do only what isn't done.")
@options.force
@options.common
def clean(
    paths: tuple[Path, ...], out: Path, strength: float, keep_below: float | None, fill: float | None, keys: bool,
    within: str | None, at_most: str | None, fps: float | None, camera: str | None, check: bool, jobs: int,
    scheduler: str | None, resume: bool, force: bool, as_json: bool, quiet: bool,
) -> None:  # fmt: skip
    """Clean captured motion, a folder at a time: files, folders and patterns in; clips and a report out.

    A clip that can't be cleaned never stops the others; it is listed, and the exit code is 4.
    """
    outputs.one_thread()  # before anything that computes is loaded
    from refine.clean.folder.asked import settings as asked
    from refine.clean.folder.batch import Request, run
    from refine.clean.report.summary import document, lines
    from refine.errors import InputError

    if scheduler is not None and jobs != 1:
        raise InputError("--scheduler", "given together with --jobs", "one of the two")
    if resume and force:
        raise InputError("--resume", "given together with --force", "one of the two")
    settings = asked(strength, keep_below, fill, keys, within, at_most, fps, camera, check)
    request = Request(paths, out, settings, jobs, scheduler, resume, force)
    done = run(request, outputs.sayer(quiet))
    outputs.show_troubles(done, quiet)
    outputs.show_result(document(done.clips, settings) if as_json else lines(done.clips))
    if not done.whole:
        sys.exit(outputs.PARTLY)
