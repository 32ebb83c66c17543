"""Owns every tolerance: its unit, its reason, and what changes when it changes."""

from __future__ import annotations

from typing import Final

TOLERANCE_M: Final = 0.005
"""[m] How far apart the proven lower and the witnessed upper bound of a gap may stay. Smaller: longer sweeps."""

CHORD_ERROR_M: Final = 0.005
"""[m] Greatest distance between a curve (wire, tube) and the chords that stand for it; goes into uncertainty, so a
larger value costs margin, a smaller one primitives."""

TOOL_NEARNESS_M: Final = 0.1
"""[m] A straight line this close to a tool's hull does not count as air alone (design rule: a line that misses the
ladder by a centimetre does not earn the air limit). Larger: more gaps judged at the tool limit."""

ROUNDING: Final = 2.0**-40
"""[1] Taken off every lower bound, times (1 m + the largest coordinate). One bound sums under 2**12 roundings of
relative size 2**-53, so 2**-41 covers them; doubled. At 1 km from the origin this is 1 nanometre."""

LARGEST_COORDINATE_M: Final = 1.0e6
"""[m] Scenes are refused beyond this distance from their origin: rounding would reach a micrometre."""

LEAST_TOLERANCE_M: Final = 1e-5
"""[m] Least tolerance that may be asked for: below it rounding and the work of a sweep, not the scene, decide."""

MOST_TOLERANCE_M: Final = 0.5
"""[m] Most that may be asked for: above it a margin says nothing."""

APART_M: Final = 0.005
"""[m] What is nearer is taken to touch: the millimetres below which no survey and no hand goes. Larger: more
collisions."""
