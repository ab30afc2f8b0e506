"""Which channel, key or sample of a shot a place means; InputError where there is none."""

from __future__ import annotations

from refine.errors import InputError
from refine.formats.checked import listed
from refine.formats.splice import Place
from refine.shot import Channel, Shot


def channel_of(shot: Shot, place: Place) -> tuple[Channel, int]:
    """The channel of a place and its position in the control. InputError where there is none."""
    everything = (*shot.controls, *(camera.control for camera in shot.cameras))
    control = next((known for known in everything if known.name == place.control), None)
    if control is None:
        raise InputError(str(place.control), f"{shot.name} has no control of that name")
    names = [known.name for known in control.channels]
    if place.channel not in names:
        raise InputError(f"{place.control}.{place.channel}", "there is no such channel", listed(names))
    position = names.index(place.channel)
    return control.channels[position], position


def key_of(channel: Channel, place: Place) -> int:
    """Which key stands at a place. InputError where none does."""
    k = channel.keys.index(place.frame) if channel.keys is not None else None
    if k is None:
        raise InputError(spot(place), "no key stands on that frame", "frames of the channel's keys")
    return k


def spot(place: Place) -> str:
    return f"{place.control}.{place.channel}@{place.frame:.10g} {place.field}"


def sample_of(channel: Channel, shot: Shot, place: Place) -> int:
    """Which sample of a baked channel stands at a place. InputError where none does."""
    assert channel.samples is not None
    position = place.frame - shot.first_frame
    if place.field != "value" or not float(position).is_integer() or not 0 <= position < len(channel.samples):
        allowed = f"values on whole frames from {shot.first_frame} to {shot.last_frame}"
        raise InputError(spot(place), "the baked channel has no such number", allowed)
    return int(position)
