"""The rig's graph and the order in which controls are solved."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from refine.errors import InputError
from refine.rig import children, descendants, graph, graph_order, parent_order, solve_order
from refine.shot import Control, Gaze, Link, Shot
from tests.random_rigs import random_rig


def shot(*controls: Control, gazes: tuple[Gaze, ...] = ()) -> Shot:
    return Shot("invented", 24.0, 0, 9, controls, gazes=gazes)


def reads(name: str, *others: str, parent: str | None = None) -> Control:
    return Control(name, parent, links=tuple(Link("constraint", other) for other in others))


def flat(groups: tuple[tuple[str, ...], ...]) -> list[str]:
    return [name for group in groups for name in group]


def test_a_file_that_is_ordered_keeps_its_order() -> None:
    rig = shot(Control("hips"), Control("spine", "hips"), Control("leg", "hips"), Control("head", "spine"))
    assert solve_order(rig) == (("hips",), ("spine",), ("leg",), ("head",))


def test_children_listed_first_wait_for_their_parents_and_ties_follow_the_file() -> None:
    rig = shot(
        Control("hand", "arm"), Control("z prop"), Control("arm", "hips"), Control("hips"), Control("a prop")
    )
    assert solve_order(rig) == (("z prop",), ("hips",), ("arm",), ("hand",), ("a prop",))


@pytest.mark.parametrize("seed", range(20))
def test_without_links_the_short_way_and_the_graph_agree(seed: int) -> None:
    rig = random_rig(seed, size=25)
    assert solve_order(rig) == graph_order(rig)
    assert sorted(flat(solve_order(rig))) == sorted(control.name for control in rig.controls)


@pytest.mark.parametrize("kind", ["aim", "attachment", "constraint"])
def test_what_a_link_reads_comes_first(kind: str) -> None:
    eye = Control("eye", links=(Link(kind, "ball"),))  # type: ignore[arg-type]
    assert solve_order(shot(eye, Control("ball"))) == (("ball",), ("eye",))
    assert solve_order(shot(replace(eye, links=()), Control("ball"))) == (("eye",), ("ball",))
    assert graph(shot(eye, Control("ball"))).edges["ball", "eye"]["kind"] == kind


def test_a_gaze_at_a_control_waits_for_it_and_one_at_a_place_does_not() -> None:
    controls = (Control("eye"), Control("hand"), Control("ball", "hand"))
    at_ball = shot(*controls, gazes=(Gaze("eye", (0, 5), target="ball"),))
    at_place = shot(*controls, gazes=(Gaze("eye", (0, 5), point=(0.0, 1.0, 2.0)),))
    assert solve_order(at_ball) == (("hand",), ("ball",), ("eye",))
    assert solve_order(at_place) == (("eye",), ("hand",), ("ball",))
    assert graph(at_ball).edges["ball", "eye"]["kind"] == "gaze"


def test_controls_that_read_each_other_are_one_group_in_the_file_s_order() -> None:
    rig = shot(
        reads("b", "a"), Control("root"), reads("a", "c", parent="root"), reads("c", "b"), reads("tail", "a")
    )
    assert solve_order(rig) == (("root",), ("b", "a", "c"), ("tail",))


def test_a_parent_that_follows_its_child_is_one_group_with_it() -> None:
    rig = shot(reads("body", "foot"), Control("leg", "body"), Control("foot", "leg"), Control("hat", "body"))
    assert solve_order(rig) == (("body", "leg", "foot"), ("hat",))


def test_a_control_that_reads_itself_stands_alone() -> None:
    assert solve_order(shot(reads("a", "a"), Control("b"))) == (("a",), ("b",))


@pytest.mark.parametrize("seed", range(20))
def test_each_group_reads_only_itself_and_what_came_before(seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = [control.name for control in random_rig(seed, size=20).controls]
    linked = tuple(
        replace(control, links=(Link("aim", names[int(rng.integers(20))]),))
        if rng.random() < 0.3
        else control
        for control in random_rig(seed, size=20).controls
    )
    rig = shot(*linked)
    groups = solve_order(rig)
    place = {name: k for k, group in enumerate(groups) for name in group}
    assert sorted(place) == sorted(names)
    assert len(flat(groups)) == len(names)
    dependencies = graph(rig)
    assert all(place[source] <= place[reader] for source, reader in dependencies.edges)
    for group in groups:  # no larger than it must be
        assert nx.is_strongly_connected(dependencies.subgraph(group))


def test_the_parent_s_edge_is_kept_where_a_link_joins_the_same_two() -> None:
    rig = shot(Control("hips"), Control("leg", "hips", links=(Link("aim", "hips"),)))
    assert dict(graph(rig).edges) == {("hips", "leg"): {"kind": "parent"}}


PROGRAM = """
import sys
from refine.rig import solve_order
from refine.shot import Control, Link, Shot
plain = [Control(f"c{i}", f"c{i // 2}" if i else None) for i in range(30)]
solve_order(Shot("s", 24.0, 0, 1, tuple(plain)))
assert "networkx" not in sys.modules, "a rig without links needs no graph"
linked = [Control(f"c{i}", links=(Link("aim", f"c{(i * 7 + 3) % 30}"),) * (i % 3 > 0)) for i in range(30)]
print(solve_order(Shot("s", 24.0, 0, 1, tuple(linked))))
"""


def test_the_order_is_the_same_on_each_run_whatever_the_hashes() -> None:
    results = []
    for seed in ("1", "2"):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "PYTHONPATH": os.pathsep.join(sys.path)}
        run = subprocess.run([sys.executable, "-c", PROGRAM], env=environment, capture_output=True, text=True)
        assert run.returncode == 0, run.stderr
        results.append(run.stdout)
    assert results[0] == results[1]


def test_children_and_descendants() -> None:
    rig = shot(
        Control("toe", "foot"),
        Control("foot", "leg"),
        Control("hips"),
        Control("leg", "hips"),
        Control("box"),
    )
    assert children(rig) == {
        None: ("hips", "box"),
        "toe": (),
        "foot": ("toe",),
        "hips": ("leg",),
        "leg": ("foot",),
        "box": (),
    }
    assert descendants(rig, "hips") == ("leg", "foot", "toe")
    assert descendants(rig, "toe") == ()
    assert [rig.controls[i].name for i in parent_order(rig)] == ["hips", "leg", "foot", "toe", "box"]


@pytest.mark.parametrize(
    ("rig", "place", "name"),
    [
        (shot(Control("a", "nobody")), "controls[0].parent", "nobody"),
        (shot(Control("a"), reads("b", "a", "ghost")), "controls[1].links[1].to", "ghost"),
        (shot(Control("a"), gazes=(Gaze("a", (0, 1), target="moon"),)), "gazes[0].target", "moon"),
        (shot(Control("a"), gazes=(Gaze("eye", (0, 1), target="a"),)), "gazes[0].control", "eye"),
    ],
)
def test_a_name_that_is_not_in_the_shot_is_named_with_its_place(rig: Shot, place: str, name: str) -> None:
    with pytest.raises(InputError) as caught:
        solve_order(rig)
    assert caught.value.place == place
    assert name in caught.value.found
    assert "a" in caught.value.allowed


def test_parents_in_a_circle_are_refused_by_name() -> None:
    rig = shot(Control("hips"), Control("chicken", "egg"), Control("egg", "chicken"))
    with pytest.raises(InputError, match="chicken, egg"):
        solve_order(rig)


def test_descendants_of_an_unknown_control_are_refused() -> None:
    with pytest.raises(InputError, match="nobody"):
        descendants(shot(Control("a")), "nobody")
