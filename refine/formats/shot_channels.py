"""Channels of the shot file: keys and samples as JSON, read column by column.

A character has tens of thousands of keys, so each member is checked for all keys of a channel at once; only
where that fails is the culprit looked for key by key. The rules about slopes are the key table's too.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from itertools import chain
from operator import itemgetter
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from refine.errors import InputError
from refine.formats.checked import (
    LARGEST,
    OWN_PREFIX,
    At,
    as_choice,
    as_list,
    as_name,
    as_number,
    as_numbers,
    as_object,
    listed,
    required,
    shown,
)
from refine.formats.key_rules import (
    REACHES,
    SEGMENTS,
    Integers,
    check_frames,
    check_sample_count,
    components,
    settle_slopes,
    unit_length,
)
from refine.formats.shot_fields import Json, check_unique, each, frame_number, limits, written_limits
from refine.key_rows import Key, of_rows
from refine.shot import (
    QUATERNION,
    ROTATIONS,
    SCALES,
    TRANSLATIONS,
    Array,
    Channel,
    Keys,
    Segment,
    frozen,
)

NUMBERS = ("value", "slope", "incoming_slope", "outgoing_slope", *REACHES)
KEY = ("frame", *NUMBERS, "corner", "segment")

T = TypeVar("T", bound=np.generic)

_PLAIN = frozenset((int, float))
_MISSING = object()
_UNSET = float("nan")  # a reader never hands on a NaN of the file, so this one can only mean "not given"
_UNSET_LIST = [_UNSET] * 4


def channels(value: object, at: At, frames: tuple[int, int], notes: list[str]) -> tuple[Channel, ...]:
    """The channels of one control."""
    found = each(value, at, lambda item, place: channel(item, place, frames, notes))
    check_unique(((c.name, at.item(i).member("name")) for i, c in enumerate(found)), "channel of the control")
    names = {c.name for c in found}
    euler = next((name for name in ROTATIONS if name in names), None)
    if QUATERNION in names and euler is not None:
        raise at.error(
            f"both {QUATERNION} and {euler}", "a quaternion or Euler angles", "leave one of them out"
        )
    return found


def channel(value: object, at: At, frames: tuple[int, int], notes: list[str]) -> Channel:
    members = as_object(value, at, ("name", "limits", "keys", "samples"))
    name = channel_name(required(members, "name", at), at.member("name"))
    bounds = limits(members["limits"], at.member("limits")) if "limits" in members else None
    if ("keys" in members) == ("samples" in members):
        raise at.error("one of keys and samples must be given", "exactly one of the two")
    width = components(name)
    if "keys" in members:
        given = members["keys"]
        found = given if isinstance(given, Keys) else keys(given, at.member("keys"), width, notes)
        return Channel(name, keys=found, limits=bounds)
    return Channel(
        name, samples=_samples(members["samples"], at.member("samples"), width, frames, notes), limits=bounds
    )


def folded(members: Json) -> Json:
    """A channel's members with its keys as arrays already, where there is nothing to say of them.

    An object a key takes ten times the room, and a captured clip has millions of them.
    """
    notes: list[str] = []
    with suppress(InputError):  # it is raised again where its place is known
        found = keys(members["keys"], At(""), components(str(members.get("name"))), notes)
        if not notes:
            return members | {"keys": found}
    return members


def channel_name(value: object, at: At) -> str:
    """A known name or a custom one; what only looks like a known name would silently move nothing."""
    name = as_name(value, at)
    known = (*TRANSLATIONS, *ROTATIONS, *SCALES)
    if name.casefold().startswith(("translation.", "rotation.", "scale.")) and name not in known:
        raise at.error(
            f"there is no channel {shown(name)}", listed((*known, QUATERNION)), "or a name of your own"
        )
    return name


def keys(value: object, at: At, width: int, notes: list[str]) -> Keys:
    """The keys of a channel, with all that the shot file demands of them."""
    raw: list[Any] = as_list(value, at)
    if not raw:
        remedy = "leave the channel out if nothing is animated"
        raise at.error("the channel is empty", "at least one key", remedy)
    names = _member_names(raw, at)
    table = _Table(raw, at, names, _shared_columns(raw, names))
    frames = table.column("frame", 1)[:, 0]
    check_frames(frames, lambda k: at.item(k).member("frame"))
    values = table.column("value", width)
    segment = table.segments()
    incoming, outgoing = table.slopes(width)
    incoming, outgoing, corner = settle_slopes(incoming, outgoing, table.corners(), segment, at.item)
    if width == 4:
        values, scale = unit_length(values, lambda k: at.item(k).member("value"), at, notes)
        incoming, outgoing = incoming * scale, outgoing * scale
    # Nobody else holds these arrays, so they are frozen without the copies that `make_keys` would take.
    return Keys(
        _frozen(frames),
        _frozen(values),
        _frozen(incoming),
        _frozen(outgoing),
        _frozen(table.reaches("incoming_reach")),
        _frozen(table.reaches("outgoing_reach")),
        _frozen(corner),
        _frozen(segment),
    )


def _frozen(array: NDArray[T]) -> NDArray[T]:
    """The array itself, contiguous and read-only."""
    array = np.ascontiguousarray(array)
    array.setflags(write=False)
    return array


def _member_names(raw: list[Any], at: At) -> set[str]:
    """All member names of the keys; InputError at a key that isn't an object or has an unknown member."""
    if set(map(type, raw)) == {dict}:
        names: set[str] = set().union(*raw)
        if all(name in KEY or name.startswith(OWN_PREFIX) for name in names):
            return names
    for k, key in enumerate(raw):
        as_object(key, at.item(k), KEY)
    raise AssertionError("a bad key that the checks don't find")


def _shared_columns(raw: list[Json], names: set[str]) -> dict[str, Array]:
    """Columns (K, 1) of the members that every key gives as a number, if all can be read in one sweep.

    Where a member is missing in a key, or is anything but a fair number, nothing is read: then each column is
    read by itself. Files have the same members in all keys of a channel, so that is rare.
    """
    members = [name for name in NUMBERS if name in names]
    try:
        rows = list(chain.from_iterable(map(itemgetter("frame", *members), raw)))
    except KeyError:
        return {}
    array = _plain_numbers(rows)
    if array is None:
        return {}
    table = array.reshape(len(raw), 1 + len(members))
    return {name: table[:, i : i + 1] for i, name in enumerate(("frame", *members))}


def _plain_numbers(values: list[Any]) -> Array | None:
    """(N,) array, if all are numbers that a shot allows; NaN may stand among them only as a default."""
    if not _PLAIN.issuperset(map(type, values)):
        return None
    # An int beyond float64 overflows here; the check of each number says so with its place.
    with suppress(OverflowError):
        array = np.array(values, float)
        if not (np.abs(array) > LARGEST).any():
            return array
    return None


def _numbers(values: list[Any], width: int, at: Callable[[int], At]) -> Array:
    """(N, width) array of numbers, or of lists of `width` numbers; a default may stand for some."""
    flat = values
    if width > 1:
        lists = all(type(value) is list and len(value) == width for value in values)
        flat = list(chain.from_iterable(values)) if lists else [None]
    array = _plain_numbers(flat)
    if array is not None:
        return array.reshape(-1, width)
    for k, value in enumerate(values):
        if value is _MISSING:
            raise at(k).error("it is missing", "a number" if width == 1 else f"a list of {width} numbers")
        if value is not _UNSET and value is not _UNSET_LIST:
            _ = as_number(value, at(k)) if width == 1 else as_numbers(value, at(k), width)
    raise AssertionError("a bad number that the checks don't find")


@dataclass(frozen=True, slots=True)
class _Table:
    """The keys of one channel as a table: a column is one member of all K keys."""

    raw: list[Json]
    at: At
    names: set[str]
    ready: dict[str, Array]

    def column(self, name: str, width: int, default: object = _MISSING) -> Array:
        """(K, width) numbers of one member."""
        if name in self.ready and width == 1:
            return self.ready[name]
        values = [key.get(name, default) for key in self.raw]
        return _numbers(values, width, lambda k: self.at.item(k).member(name))

    def slopes(self, width: int) -> tuple[Array, Array]:
        """Incoming and outgoing slopes (K, width), NaN where a key has none."""
        unset: object = _UNSET if width == 1 else _UNSET_LIST
        if "incoming_slope" not in self.names and "outgoing_slope" not in self.names:
            both = self.column("slope", width, unset)
            return both, both
        if "slope" not in self.names:
            return self.column("incoming_slope", width, unset), self.column("outgoing_slope", width, unset)
        return self._mixed_slopes("incoming_slope", width, unset), self._mixed_slopes(
            "outgoing_slope", width, unset
        )

    def _mixed_slopes(self, side: str, width: int, unset: object) -> Array:
        """(K, width) slopes of one side, where some keys have a single slope."""
        for k, key in enumerate(self.raw):
            if "slope" in key and side in key:
                allowed = "slope alone, or incoming_slope and outgoing_slope"
                raise self.at.item(k).error(f"both slope and {side}", allowed)
        values = [key.get(side, key.get("slope", unset)) for key in self.raw]
        names = ["slope" if "slope" in key else side for key in self.raw]
        return _numbers(values, width, lambda k: self.at.item(k).member(names[k]))

    def corners(self) -> list[bool | None] | None:
        """What each key says about being a corner; None where it says nothing."""
        if "corner" not in self.names:
            return None
        said: list[bool | None] = []
        for k, key in enumerate(self.raw):
            corner = key.get("corner")
            if "corner" in key and not isinstance(corner, bool):
                raise self.at.item(k).member("corner").error(f"found {shown(corner)}", "true or false")
            if corner and "slope" in key:
                remedy = "give a corner incoming_slope and outgoing_slope"
                raise self.at.item(k).error("a corner with a single slope", "two slopes", remedy)
            said.append(corner if isinstance(corner, bool) else None)
        return said

    def segments(self) -> Integers:
        """(K,) kind of the segment after each key."""
        if "segment" not in self.names:
            return np.full(len(self.raw), Segment.CURVE, np.int8)
        kinds = [key.get("segment", "curve") for key in self.raw]
        for k, kind in enumerate(kinds):
            if not isinstance(kind, str) or kind not in SEGMENTS:
                as_choice(kind, self.at.item(k).member("segment"), tuple(SEGMENTS))
        return np.array([SEGMENTS[str(kind)] for kind in kinds], np.int8)

    def reaches(self, name: str) -> Array:
        """(K,) reaches in frames, NaN where a key leaves it to the default."""
        if name not in self.names:
            return np.full(len(self.raw), _UNSET)
        found = self.column(name, 1, _UNSET)[:, 0]
        for k in np.flatnonzero(found < 0):
            raise self.at.item(int(k)).member(name).error(f"found {found[k]:g}", "0 or more frames")
        return found


def _samples(value: object, at: At, width: int, frames: tuple[int, int], notes: list[str]) -> Array:
    raw = as_list(value, at)
    check_sample_count(len(raw), frames, at)
    found = _numbers(raw, width, at.item)
    samples: Array = frozen(unit_length(found, at.item, at, notes)[0] if width == 4 else found)
    return samples


def written_channel(channel: Channel) -> Json:
    """The channel as an object that reads back the same."""
    written: Json = {"name": channel.name}
    if channel.limits is not None:
        written["limits"] = written_limits(channel.limits)
    if channel.keys is None:
        assert channel.samples is not None
        return written | {"samples": _plain(channel.samples)}
    return written | {"keys": _written_keys(channel.keys)}


def _plain(array: Array) -> list[Any]:
    """(N, 1) as N numbers, (N, 4) as N lists of four."""
    return (array[:, 0] if array.shape[1] == 1 else array).tolist()  # type: ignore[no-any-return]


def written_key(frame: float, key: Key) -> Json:
    """One key as an object that reads back the same."""
    return _written_keys(of_rows([frame], [key]))[0]


def _written_keys(keys: Keys) -> list[Json]:
    """One object a key; a corner says both slopes so that each can be changed by itself."""
    values, incoming, outgoing = _plain(keys.values), _plain(keys.incoming), _plain(keys.outgoing)
    broken = (keys.corner | np.any(keys.incoming != keys.outgoing, axis=1)).tolist()
    written: list[Json] = []
    for frame, value, into, out, two in zip(
        keys.frames.tolist(), values, incoming, outgoing, broken, strict=True
    ):
        key: Json = {"frame": frame_number(frame), "value": value}
        key |= {"incoming_slope": into, "outgoing_slope": out, "corner": True} if two else {"slope": into}
        written.append(key)
    for name in REACHES:
        reach = getattr(keys, name)
        for k in np.flatnonzero(~np.isnan(reach)).tolist():
            written[k][name] = float(reach[k])
    for k in np.flatnonzero(keys.segment != Segment.CURVE).tolist():
        written[k]["segment"] = Segment(int(keys.segment[k])).name.lower()
    return written
