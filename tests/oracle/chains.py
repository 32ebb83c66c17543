"""Owns the combined gap: the least air along any chain of bodies between two potentials, with a body of the job on it.

A chain begins and ends at bodies that are at a potential and crosses floating ones, whose own length is no air. The
search goes by relaxation; `shortest` answers the same by networkx, and a test holds both together.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import Any

import networkx as nx
import numpy as np
from numpy.typing import NDArray

Air = NDArray[np.float64]
Chain = tuple[float, tuple[int, ...]]


def direct(air: Air, at: Sequence[str], job: Sequence[bool]) -> dict[tuple[str, str], Chain]:
    """Per two potentials the least gap of one stretch of air, and its two bodies."""
    found: dict[tuple[str, str], Chain] = {}
    for i, j in combinations(range(len(at)), 2):
        if not at[i] or not at[j] or at[i] == at[j] or not (job[i] or job[j]):
            continue
        pair = tuple(sorted((at[i], at[j])))
        if air[i, j] < found.get(pair, (np.inf,))[0]:
            found[pair] = (float(air[i, j]), (i, j))
    return found


def crossing(air: Air, at: Sequence[str], job: Sequence[bool]) -> dict[tuple[str, str], Chain]:
    """Per two potentials the least sum of air through floating bodies, and the bodies on the way.

    `air[i, j]` is the way from i to j: it differs from the way back where a chain enters somebody by one hand and
    leaves by the other.
    """
    floats = [i for i, potential in enumerate(at) if not potential]
    found: dict[tuple[str, str], Chain] = {}
    for start in sorted({potential for potential in at if potential}):
        best: dict[tuple[int, bool], Chain] = {}
        for f in floats:
            for i, potential in enumerate(at):
                if potential == start:
                    _better(best, (f, job[i] or job[f]), (float(air[i, f]), (i, f)))
        for _ in floats[1:]:
            for (f, passed), (far, way) in list(best.items()):
                for g in floats:
                    if g not in way:
                        _better(best, (g, passed or job[g]), (far + float(air[f, g]), (*way, g)))
        for (f, passed), (far, way) in best.items():
            for j, potential in enumerate(at):
                if potential and potential != start and (passed or job[j]):
                    _better(found, tuple(sorted((start, potential))), (far + float(air[f, j]), (*way, j)))
    return found


def _better(best: dict[Any, Chain], key: Any, chain: Chain) -> None:
    if chain[0] < best.get(key, (np.inf,))[0]:
        best[key] = chain


def shortest(air: Air, at: Sequence[str], job: Sequence[bool], one: str, other: str) -> float:
    """The combined gap of one pair, direct or through floating bodies, by networkx."""
    graph = nx.DiGraph()
    for i, potential in enumerate(at):
        if potential == one:
            graph.add_edge("from", (i, job[i]), air=0.0)
        if potential == other:
            graph.add_edge((i, True), "to", air=0.0)
    for i, potential in enumerate(at):
        for j, onward in enumerate(at):
            if i == j or potential not in ("", one) or onward not in ("", other):
                continue
            for passed in (False, True):
                graph.add_edge((i, passed), (j, passed or job[j]), air=float(air[i, j]))
    if not graph.has_node("from") or not graph.has_node("to") or not nx.has_path(graph, "from", "to"):
        return float("inf")
    return float(nx.shortest_path_length(graph, "from", "to", weight="air"))
