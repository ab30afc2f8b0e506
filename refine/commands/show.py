"""`refine show`: the rig in solve order."""

from __future__ import annotations

from pathlib import Path

import click

from refine.commands import options, outputs


@click.command()
@options.file
@options.common
def show(file: Path, as_json: bool, quiet: bool) -> None:
    """Print the rig in solve order: what is keyed, baked, pinned."""
    from refine.formats import read
    from refine.show import as_document, lines

    document = read(file)
    outputs.show_notes(document.shot.notes, quiet)
    outputs.show_result(as_document(document) if as_json else lines(document.shot))
