"""The rig as a graph: who carries whom, who reads whom, and in which order controls are solved.

networkx is imported only where links or gazes need it: a rig of plain parents is ordered without.
"""

from __future__ import annotations

from collections.abc import Iterable
from heapq import heapify, heappop, heappush
from typing import TYPE_CHECKING

from refine.errors import InputError
from refine.shot import Shot

if TYPE_CHECKING:
    import networkx as nx

    Graph = nx.DiGraph[str]


def positions(shot: Shot) -> dict[str, int]:
    """Position of each control in `shot.controls` by name."""
    return {control.name: i for i, control in enumerate(shot.controls)}


def _known(place: str, name: str, names: Iterable[str]) -> str:
    if name not in names:
        allowed = f"a control of the shot: {', '.join(names)}"
        raise InputError(place, f"no control {name!r}", allowed, "correct the name or add the control")
    return name


def _parents(shot: Shot) -> list[int | None]:
    """Position of each control's parent, None for a root."""
    at = positions(shot)
    return [
        None if control.parent is None else at[_known(f"controls[{i}].parent", control.parent, at)]
        for i, control in enumerate(shot.controls)
    ]


def children(shot: Shot) -> dict[str | None, tuple[str, ...]]:
    """Names of the children of every control, and of the roots under None, in the file's order."""
    lists: dict[str | None, list[str]] = {None: []}
    lists.update({control.name: [] for control in shot.controls})
    for control, parent in zip(shot.controls, _parents(shot), strict=True):
        lists[None if parent is None else control.parent].append(control.name)
    return {parent: tuple(names) for parent, names in lists.items()}


def parent_order(shot: Shot) -> tuple[int, ...]:
    """Positions of the controls, each after its parent; of those that could come next the file's first.

    InputError when parents form a cycle or aren't in the shot.
    """
    parents = _parents(shot)
    if all(parent is None or parent < i for i, parent in enumerate(parents)):
        return tuple(range(len(parents)))  # the file's own order is one already
    carried: list[list[int]] = [[] for _ in parents]
    for i, parent in enumerate(parents):
        if parent is not None:
            carried[parent].append(i)
    ready = [i for i, parent in enumerate(parents) if parent is None]
    heapify(ready)
    order: list[int] = []
    while ready:
        order.append(heappop(ready))
        for child in carried[order[-1]]:
            heappush(ready, child)
    if len(order) < len(parents):
        stuck = [control.name for i, control in enumerate(shot.controls) if i not in order]
        found = f"a cycle of parents at or above {', '.join(stuck)}"
        raise InputError("controls", found, "parents that end at a root", "give one of them another parent")
    return tuple(order)


def descendants(shot: Shot, name: str) -> tuple[str, ...]:
    """Names of all controls carried by `name`, itself excluded, each after its parent."""
    seen = {_known("descendants", name, positions(shot))}
    found = []
    for i in parent_order(shot):
        control = shot.controls[i]
        if control.parent in seen:
            seen.add(control.name)
            found.append(control.name)
    return tuple(found)


def carriers(shot: Shot, name: str) -> list[str]:
    """The controls that carry a control, the nearest first."""
    found = []
    parent = shot.control(name).parent
    while parent is not None:
        found.append(parent)
        parent = shot.control(parent).parent
    return found


def graph(shot: Shot) -> Graph:
    """The directed graph of what must be final before what.

    Nodes are control names in the file's order. An edge runs from what is read to the reader; its `kind` is
    "parent", the link's kind or "gaze". Where two hold the first of these is kept.
    """
    import networkx as nx

    at = positions(shot)
    g: Graph = nx.DiGraph()
    g.add_nodes_from(at)
    edges: list[tuple[str, str, str]] = []
    for i, parent in enumerate(_parents(shot)):
        if parent is not None:
            edges.append((shot.controls[parent].name, shot.controls[i].name, "parent"))
    for i, control in enumerate(shot.controls):
        for j, link in enumerate(control.links):
            edges.append((_known(f"controls[{i}].links[{j}].to", link.to, at), control.name, str(link.kind)))
    for i, gaze in enumerate(shot.gazes):
        if gaze.target is not None:
            _known(f"gazes[{i}].control", gaze.control, at)
            edges.append((_known(f"gazes[{i}].target", gaze.target, at), gaze.control, "gaze"))
    for source, reader, kind in edges:
        if not g.has_edge(source, reader):
            g.add_edge(source, reader, kind=kind)
    return g


def solve_order(shot: Shot) -> tuple[tuple[str, ...], ...]:
    """Groups of control names, root outward: what a control reads stands in its own group or an earlier one.

    A group has more than one member only where controls read each other in a circle. Of the groups that could
    come next the one with the file's first control does, so each run gives the same order.
    """
    if not any(control.links for control in shot.controls) and not any(gaze.target for gaze in shot.gazes):
        return tuple((shot.controls[i].name,) for i in parent_order(shot))
    return graph_order(shot)


def graph_order(shot: Shot) -> tuple[tuple[str, ...], ...]:
    """`solve_order` by the graph, whatever the rig is."""
    import networkx as nx

    at = positions(shot)
    condensed = nx.condensation(graph(shot))
    groups = {
        node: tuple(sorted(members, key=at.__getitem__)) for node, members in condensed.nodes(data="members")
    }
    ordered = nx.lexicographical_topological_sort(condensed, key=lambda node: at[groups[node][0]])
    return tuple(groups[node] for node in ordered)
