"""What the options of a command ask for, read against the shot. InputError where it isn't there."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

from refine import names
from refine.errors import InputError
from refine.flags.look import Look
from refine.formats import SIDE_ENDING, Document, side_path
from refine.prepared import Request, check_strength


def look(
    document: Document,
    camera: str | None,
    frames: str | None,
    controls: tuple[str, ...],
    thresholds: tuple[Path, ...],
) -> Look:
    """What to look at, by the thresholds beside the shot if there are any, and those given over them."""
    stem = side_path(document.path).name.removesuffix(SIDE_ENDING)
    beside = document.path.with_name(f"{stem}.thresholds.toml")
    files = (beside, *thresholds) if beside.is_file() else thresholds
    chosen = names.controls(controls, document.shot)
    return Look(None if frames is None else names.frames(frames, "--frames"), chosen, camera, files)


def request(
    document: Document, frames: str | None, controls: tuple[str, ...], pins: tuple[str, ...],
    camera: str | None, strength: float, candidate: int | None,
) -> Request:  # fmt: skip
    """The range to work on."""
    shot = document.shot
    if frames is None:
        remedy = f"the shot has frames {shot.first_frame} to {shot.last_frame}"
        raise InputError("--frames", "no range is flagged", "--frames A:B", remedy)
    return Request(
        frames=names.frames(frames, "--frames"),
        controls=names.controls(controls, shot),
        strength=strength,
        pins=tuple(names.pin(pin, shot) for pin in pins),
        candidate=candidate,
        camera=camera,
    )


def strengths(text: str) -> list[float]:
    """The strengths of a list with commas, in rising order. InputError where two would have one name."""
    try:
        found = [float(part) for part in text.split(",")]
    except ValueError:
        found = []
    if not found:
        raise InputError(f"--strengths {text}", "not a list of strengths", "numbers such as 0.25,0.5,1")
    for strength in found:
        check_strength(strength, "--strengths")
    found = sorted(strength + 0.0 for strength in found)  # -0 is 0
    for one, other in pairwise(f"{strength:g}" for strength in found):
        if one == other:
            place, words = f"--strengths {text}", f"two strengths would be shown as {one}"
            raise InputError(place, words, "each once, apart in six digits")
    return found
