"""An independent cable: a chain of straight elastic bars between nodes, solved for equilibrium by Newton on the nodes'
positions. Nothing in it knows of catenaries or of complementary energy."""

from __future__ import annotations

import numpy as np


def chain(start, end, lengths, stiffness, forces, guess, held=()):
    """Nodes (n + 1, 3) of a chain of n bars.

    lengths, stiffness: (n,) unstretched length [m] and EA [N] of each bar
    forces: (n + 1, 3) force on each node [N]
    guess: (n + 1, 3) where to start
    held: further links (node, anchor (3,), length, EA), such as suspension strings
    """
    nodes = np.array(guess, float)
    nodes[0], nodes[-1] = start, end
    free = np.arange(3, 3 * (len(nodes) - 1))
    scale = np.abs(forces).max() + 1.0

    def assemble(nodes):
        pull, energy = np.array(forces, float), -float((np.asarray(forces) * nodes).sum())
        stiff = np.zeros((nodes.size, nodes.size))
        links = [(i, i + 1, None, lengths[i], stiffness[i]) for i in range(len(lengths))]
        links += [(i, None, anchor, length, ea) for i, anchor, length, ea in held]
        for i, j, anchor, length, ea in links:
            d = (nodes[j] if anchor is None else anchor) - nodes[i]
            size = np.linalg.norm(d)
            unit = d / size
            tension = ea * (size / length - 1.0)
            pull[i] += tension * unit
            energy += ea / length * (size - length) ** 2 / 2
            block = ea / length * np.outer(unit, unit) + max(tension, 0.0) / size * (np.eye(3) - np.outer(unit, unit))
            a = slice(3 * i, 3 * i + 3)
            stiff[a, a] += block
            if anchor is None:
                pull[j] -= tension * unit
                b = slice(3 * j, 3 * j + 3)
                stiff[b, b] += block
                stiff[a, b] -= block
                stiff[b, a] -= block
        return pull.ravel()[free], stiff[np.ix_(free, free)], energy

    for _ in range(200):
        pull, stiff, energy = assemble(nodes)
        if np.abs(pull).max() < 1e-9 * scale * len(lengths):
            return nodes
        step = np.linalg.solve(
            stiff + 1e-7 * min(1.0, np.abs(pull).max() / scale) * np.trace(stiff) / len(free) * np.eye(len(free)), pull
        )
        fraction = min(1.0, 5.0 / np.abs(step).max())
        for _ in range(30):
            trial = nodes.copy().ravel()
            trial[free] += fraction * step
            after, _, lower = assemble(trial.reshape(-1, 3))
            if lower < energy - 1e-4 * fraction * (step @ pull) or np.abs(after).max() < 0.5 * np.abs(pull).max():
                break
            fraction /= 2
        nodes = trial.reshape(-1, 3)
        if np.abs(fraction * step).max() < 1e-10:
            return nodes
    raise AssertionError(
        f"the chain did not settle: {np.abs(pull).max():.1e} N, step {np.abs(fraction * step).max():.1e} m"
    )


def swung(nodes, lengths, stiffness, masses, forces, seconds, every):
    """Places (k, n + 1, 3) of a chain let go at rest from `nodes` under forces (n + 1, 3) [N], undamped: symplectic
    Euler in steps of a third of what the fastest wave of stretch takes along a bar; both ends are held."""
    step = 0.33 * float((lengths * np.sqrt(masses[1:-1].min() / lengths.min() / stiffness)).min())
    place, speed, found = np.array(nodes, float), np.zeros_like(nodes), []
    for k in range(int(seconds / step)):
        way = np.diff(place, axis=0)
        size = np.linalg.norm(way, axis=1)
        pull = way * (np.maximum(stiffness * (size / lengths - 1.0), 0.0) / size)[:, None]
        total = forces.copy()
        total[:-1] += pull
        total[1:] -= pull
        speed[1:-1] += step * total[1:-1] / masses[1:-1, None]
        place = place + step * speed
        if k % every == 0:
            found.append(place)
    return np.array(found)
