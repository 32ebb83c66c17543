"""The certified sweep by itself: arrays in, an enclosure out, no names, no potentials, no rules.

A ball of 0.2 m hangs from an arm of 1 m that turns by -60 to 60 degrees on a carriage that travels 0 to 5 m along x; a
post of
radius 0.1 m stands at (2.3, 1.5). How near do they come, over every position? By hand: the ball reaches a circle of 1 m
about the carriage, so with the carriage free to stand beside the post the centres come within 1.5 - 1 = 0.5 m at the
arm's
end, and the gap is 0.5 - 0.2 - 0.1 = 0.2 m.
"""

from __future__ import annotations

import numpy as np

from clearance import shapes
from clearance.kernel.edges import NOTHING, Question
from clearance.kernel.sweep import least
from clearance.kernel.tree import build_store
from clearance.motion import Joint, Link, Motion, compile_chain, compile_moving


def main() -> None:
    """Print the enclosure, and where the least gap was seen."""
    store = build_store([shapes.segments([[2.3, 1.5, -1.0]], [[2.3, 1.5, 1.0]], radius=0.1)])
    travel, turn = Joint("slide", "travel", axis=(1.0, 0.0, 0.0)), Joint("turn", "turn", axis=(0.0, 0.0, 1.0))
    motion = Motion((Link("arm", None, (travel, turn)),), ("travel", "turn"))
    box = {"travel": (0.0, 5.0), "turn": (-np.pi / 3, np.pi / 3)}
    ball = shapes.points([[0.0, 1.0, 0.0]], radius=0.2)
    moving = compile_moving(motion, [(ball, "arm", None, 0)], box)
    question = Question(
        moving=np.array([[0, 1], [1, 1]]),  # the first group moves: run 0; the second does not
        run=np.array([[0, 1]]),
        roots=np.array([[0, 0], [0, 1]]),  # the second group stands: tree 0
        root=store.root[:1],
        extent=np.array([np.inf, np.inf]),
        edge=np.array([[0, 1]]),
        still=np.array([np.inf]),
        still_pair=np.array([[NOTHING, NOTHING]]),
        first=np.array([0]),
        stop=np.array([1]),
        step=np.array([0]),
        flip=np.array([False]),
        offset=np.array([0.0]),
    )
    low, high = [box[name][0] for name in motion.parameters], [box[name][1] for name in motion.parameters]
    found = least(question, store, moving, compile_chain(motion), low, high, tolerance=1e-4)
    print(f"least gap from {found.lower:.5f} to {found.upper:.5f} m, {found.boxes} boxes")
    print(f"seen at travel {found.at[0]:.3f} m, turn {np.degrees(found.at[1]):.2f} degrees")


if __name__ == "__main__":
    main()
