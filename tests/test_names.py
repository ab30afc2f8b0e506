"""What a person names: the longest known name wins, and an error offers the nearest."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refine.errors import InputError
from refine.names import channel_names, controls, frames, pin, selector
from refine.shot import Channel, Control, Pin, Shot, make_keys
from tests.hand_made import two_part_shot
from tests.strategies import names as any_name

KEYS = make_keys([0], [0], [0])


def named(rig: dict[str, tuple[str, ...]]) -> Shot:
    """A shot whose controls have these names and channels."""
    made = tuple(
        Control(name, channels=tuple(Channel(ch, KEYS) for ch in channels)) for name, channels in rig.items()
    )
    return replace(two_part_shot(), controls=made)


RIG = named(
    {
        "arm": ("rotation.x", "rotation"),
        "arm.rotation": ("x", "translation.y"),
        "ns:leg L": ("rotation.x",),
        "hand,left": ("curl",),
        "odd@12": ("curl",),
        "bare": (),
    }
)
CHANNELS = channel_names(RIG)


def test_a_key_between_frames_is_named_as_it_is_shown() -> None:
    chosen = selector("arm@114.067", CHANNELS, "--only", between=True)
    assert chosen.matches("arm", "rotation.x", 114.0 + 1 / 15)
    assert not chosen.matches("arm", "rotation.x", 114.0)
    for text in ("arm@114.067:115", "arm@1e2", "arm@.5"):
        with pytest.raises(InputError, match="whole frames"):
            selector(text, CHANNELS, "--only", between=True)
    with pytest.raises(InputError, match="whole frames"):
        selector("arm@114.067", CHANNELS, "--pin")


@pytest.mark.parametrize(
    ("text", "control", "channel", "held"),
    [
        ("arm@5", "arm", None, (5, 5)),
        ("arm.translation.y@5:9", None, None, None),
        ("arm.rotation.x@5:9", "arm.rotation", "x", (5, 9)),
        ("arm.rotation@7", "arm.rotation", None, (7, 7)),
        ("arm.rotation.translation.y@-3:4", "arm.rotation", "translation.y", (-3, 4)),
        ("ns:leg L.rotation.x@1:2", "ns:leg L", "rotation.x", (1, 2)),
        ("ns:leg L@1:2", "ns:leg L", None, (1, 2)),
        ("hand,left.curl@3", "hand,left", "curl", (3, 3)),
        ("odd@12@3:4", "odd@12", None, (3, 4)),
        ("odd@12", "odd@12", None, None),
        ("bare@3", "bare", None, (3, 3)),
    ],
)
def test_the_longest_known_name_wins(
    text: str, control: str | None, channel: str | None, held: tuple[int, int] | None
) -> None:
    if control is None:
        with pytest.raises(InputError, match=r"no such channel.*arm\.rotation\.x"):
            selector(text, CHANNELS, "--only")
        return
    found = selector(text, CHANNELS, "--only")
    assert (found.control, found.channel or None, found.frames) == (control, channel, held)


def test_a_selector_matches_what_it_names() -> None:
    found = selector("arm@5:9", CHANNELS, "--only")
    assert found.matches("arm", "rotation.x", 5.0)
    assert found.matches("arm", "rotation", 8.5)
    assert not found.matches("arm", "rotation.x", 9.5)
    assert not found.matches("arm.rotation", "x", 7.0)
    one = selector("ns:leg L.rotation.x", CHANNELS, "--only")
    assert one.matches("ns:leg L", "rotation.x", 1e6)
    assert not one.matches("ns:leg L", "rotation.y", 0.0)


def test_unknown_names_are_answered_with_the_nearest() -> None:
    with pytest.raises(InputError, match=r"no control 'amr'.*arm"):
        selector("amr@5", CHANNELS, "--pin")
    with pytest.raises(InputError, match="no control 'harm'"):
        controls(["harm"], RIG)


@pytest.mark.parametrize(
    ("text", "found"), [("3:9", (3, 9)), ("-5:-2", (-5, -2)), ("7", (7, 7)), (" 4:4 ", (4, 4))]
)
def test_frames(text: str, found: tuple[int, int]) -> None:
    assert frames(text, "--frames") == found


@pytest.mark.parametrize(
    "text", ["", "a:b", "1.5:3", "5:", ":5", "1:2:3", "9:3", "1 :2", "٣:٤", "1e3", "+2:3"]
)
def test_what_is_no_range_is_refused(text: str) -> None:
    with pytest.raises(InputError) as caught:
        frames(text, "--frames")
    assert caught.value.place == "--frames"
    assert caught.value.allowed


def test_controls_by_commas_by_repetition_and_with_commas_in_them() -> None:
    assert controls(["arm,bare", "arm"], RIG) == ("arm", "bare")
    assert controls(["hand,left", "ns:leg L"], RIG) == ("hand,left", "ns:leg L")
    assert controls([], RIG) == ()
    with pytest.raises(InputError):
        controls(["arm,,bare"], RIG)


def test_pins_of_keys_poses_and_ranges() -> None:
    assert pin("arm.rotation.x@5", RIG) == Pin("arm.rotation", "x", (5.0, 5.0))
    assert pin("bare@0", RIG) == Pin("bare", None, (0.0, 0.0))
    assert pin("ns:leg L@5:9", RIG) == Pin("ns:leg L", None, (5.0, 9.0))
    assert str(pin("ns:leg L@5:9", RIG)) == "ns:leg L@5:9"


@pytest.mark.parametrize(
    "text", ["arm", "arm@", "arm@x", "arm@9:5", "arm@500", "arm@-1", "arm@5.5", "nobody@5"]
)
def test_pins_that_are_none(text: str) -> None:
    with pytest.raises(InputError, match="--pin"):
        pin(text, RIG)


@given(
    st.lists(any_name(), min_size=1, max_size=4, unique=True),
    st.lists(any_name(), min_size=1, max_size=3, unique=True),
)
@settings(max_examples=50, deadline=None, derandomize=True)
@pytest.mark.property
def test_every_name_can_be_named(rig: list[str], channels: list[str]) -> None:
    """CONTROL.CHANNEL@A:B of any names is read, and what is read spells the same text."""
    known = [(control, channel) for control in rig for channel in channels]
    for control, channel in known:
        text = f"{control}.{channel}@3:7"
        found = selector(text, known, "--only")
        assert found.frames is not None
        whole = found.control if found.channel is None else f"{found.control}.{found.channel}"
        assert text == f"{whole}@{found.frames[0]}:{found.frames[1]}"
