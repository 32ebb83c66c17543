"""Times the certified sweep against general-purpose peers, in one run on one scene, and prints ratios as tables.

    python tests/bench/bench_engine.py            about five minutes
    python tests/bench/bench_engine.py --quick    under one minute

The scene: 1,000 lattice members, 12 wires of 64 segments, level ground, a worker of 14 capsules on a ladder that
travels, leans two ways and is climbed. Peers answer the same question at one pose, the least distance from the worker
to anything: coal and python-fcl by their broad phase over capsules; scipy's tree and trimesh's proximity query stand
for clouds and meshes. What is extrapolated says so. Quote ratios, not seconds: machines differ.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time

import numpy as np

from clearance import shapes
from clearance.bodies import Body
from clearance.engine import Group, Path, build_engine, compile_setting, enclose
from clearance.job.setting import Setting
from clearance.kernel import tree
from clearance.kernel.room import LONGEST
from clearance.motion import Joint, Link, Motion, pose, rotation_about

RADIUS = 0.12
LEAN = np.radians(2.0)
BOXES = {
    "travel_m": (0.0, 12.0),
    "climb_m": (1.0, 6.5),
    "lean_along_deg": (-LEAN, LEAN),
    "lean_across_deg": (-LEAN, LEAN),
    "heading_deg": (-0.1, 0.1),
    "swing_deg": (-0.1, 0.1),
}
"""Ranges [m, rad], in the order in which parameters are added."""


def line(members=1000, points=0, seed=1):
    """The standing bodies: members of a gantry, wires, ground, and as many scan points beside them as asked for."""
    rng = np.random.default_rng(seed)
    start = rng.uniform([-12, 6, 0], [12, 12, 13], (members, 3))
    bodies = [
        Body("structure", "structure", shapes.segments(start, start + rng.uniform(-0.6, 0.6, (members, 3)), 0.05))
    ]
    x = np.linspace(-60, 60, 65)
    for k in range(12):
        curve = np.column_stack([x, np.full(65, -6.0 + 3.0 * (k % 3)), 9.5 + 3.0 * (k // 3) + 0.0005 * x**2])
        bodies.append(Body(f"wire {k}", "wire", shapes.polyline(curve, 0.014, 0.05), potential="A"))
    corner = [[-200, -200, 0], [200, -200, 0], [200, 200, 0], [-200, 200, 0.0]]
    bodies.append(Body("ground", "ground", shapes.triangles([corner[:3], [corner[0], corner[2], corner[3]]])))
    if points:
        cloud = rng.uniform([-100, 7, 0], [100, 60, 12], (points, 3))
        bodies.append(Body("cloud", "cloud", shapes.points(cloud, 0.0, 0.2)))
    return bodies


def worker():
    """Fourteen capsules about as a climber is."""
    rng = np.random.default_rng(2)
    start = np.column_stack([rng.uniform(-0.45, -0.1, 14), rng.uniform(-0.3, 0.3, 14), np.linspace(0.1, 2.2, 14)])
    return shapes.segments(start, start + rng.uniform(-0.2, 0.2, (14, 3)), RADIUS)


def setting(names, bodies):
    """The worker moved by the parameters named, the others fixed at the middle of their ranges."""
    kinds = {
        "travel_m": ("slide", (0.0, 1.0, 0.0)),
        "heading_deg": ("turn", (0.0, 0.0, 1.0)),
        "lean_along_deg": ("turn", (0.0, 1.0, 0.0)),
        "lean_across_deg": ("turn", (1.0, 0.0, 0.0)),
        "climb_m": ("slide", (0.0, 0.0, 1.0)),
        "swing_deg": ("turn", (1.0, 0.0, 0.0)),
    }
    joints = [Joint("fixed", translation=np.array([0.9, -8.0, 0.0]))]
    for name, (kind, axis) in kinds.items():
        middle = 0.5 * sum(BOXES[name])
        if name in names:
            joints.append(Joint(kind, name, axis=axis))
        elif kind == "slide":
            joints.append(Joint("fixed", translation=np.array(axis) * middle))
        else:
            joints.append(Joint("fixed", rotation=rotation_about(axis, middle)))
    motion = Motion((Link("worker", None, tuple(joints)),), tuple(names))
    mover = Body("worker", "worker", worker(), potential=None, job=True, link="worker")
    return Setting("bench", "posture", (*bodies, mover), motion, {name: BOXES[name] for name in names}, {})


def paths(bodies, summed):
    """Worker to anything, or from a wire through the worker to what is earthed."""
    wires = tuple(body.name for body in bodies if body.kind == "wire")
    earth = tuple(body.name for body in bodies if body.kind != "wire")
    if summed:
        return (Path((Group(wires), Group(("worker",)), Group(earth))),)
    return (Path((Group(("worker",)), Group(wires + earth))),)


def timed(run, least=0.2, most=50):
    """Median seconds of a call, repeated for a while."""
    found, begun = [], time.perf_counter()
    while len(found) < 3 or (time.perf_counter() - begun < least and len(found) < most):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return float(np.median(found))


def table(title, head, rows):
    print(f"\n**{title}**\n")
    print("| " + " | ".join(head) + " |\n|" + "---|" * len(head))
    for row in rows:
        print("| " + " | ".join(str(cell) for cell in row) + " |")
    sys.stdout.flush()


def capsule(module, start, end, radius):
    along = end - start
    length = float(np.linalg.norm(along))
    z = along / max(length, 1e-12)
    x = np.cross(z, np.eye(3)[int(np.argmin(np.abs(z)))])
    x /= np.linalg.norm(x)
    turn, middle = np.column_stack([x, np.cross(z, x), z]), 0.5 * (start + end)
    if module.__name__ == "fcl":
        return module.CollisionObject(module.Capsule(radius, length), module.Transform(turn, middle))
    return module.CollisionObject(module.Capsule(radius, length), module.Transform3s(turn, middle))


def peer(module, bodies):
    """A function of a worker's capsules (n, 2, 3) that gives the least distance to the standing capsules."""
    manager = module.DynamicAABBTreeCollisionManager()
    kept = []
    for body in bodies:
        if body.kind in ("wire", "structure"):
            for core, around in zip(body.shape.vertices, body.shape.radius + body.shape.uncertainty, strict=True):
                kept.append(capsule(module, core[0], core[1], float(around)))
    for one in kept:
        manager.registerObject(one)
    manager.setup()

    def distance(capsules):
        best = np.inf
        for start, end in capsules:
            one = capsule(module, start, end, RADIUS)
            if module.__name__ == "fcl":
                data = module.DistanceData()
                manager.distance(one, data, module.defaultDistanceCallback)
                best = min(best, data.result.min_distance)
            else:
                call = module.DistanceCallBackDefault()
                manager.distance(one, call)
                best = min(best, call.data.result.min_distance)
        return best, kept

    return distance


def one_pose(bodies, quick):
    """(a) The least distance from the worker to members and wires at one pose; answers are compared."""
    stood = [body for body in bodies if body.kind != "ground"]
    asked = setting(("travel_m", "climb_m", "lean_along_deg"), stood)
    engine = build_engine([asked])
    compiled = compile_setting(engine, asked)
    rng = np.random.default_rng(3)
    poses = [
        {name: float(rng.uniform(*BOXES[name])) for name in asked.motion.parameters}
        for _ in range(20 if quick else 100)
    ]
    question = paths(stood, summed=False)

    def ours():
        return [
            enclose(engine, compiled, question, tolerance_m=1.0, within={k: (v, v) for k, v in q.items()}).upper_m
            for q in poses
        ]

    answers = ours()
    seconds = timed(ours) / len(poses)
    from clearance.engine import _question
    from clearance.kernel.paths import bound_batch
    from clearance.kernel.room import new_room
    from clearance.kernel.sweep import rounding_of

    compiled_question = _question(engine, compiled, question)
    points = np.array([[q[name] for name in asked.motion.parameters] for q in poses])
    rounding = rounding_of(engine.store, compiled.moving, compiled.chain, compiled.low, compiled.high)
    size, count, free = points.shape[1], len(points), np.full(len(points), -np.inf)
    room = new_room(compiled_question, compiled.chain, compiled.moving, size)
    filled = (
        np.empty(count),
        np.empty(count),
        np.empty((count, size)),
        np.empty(count, int),
        np.empty(count, int),
        np.empty((count, LONGEST, 2), int),
    )

    def batch():
        bound_batch(
            compiled_question,
            engine.store,
            compiled.moving,
            compiled.chain,
            points,
            points,
            free,
            1e9,
            rounding,
            room,
            filled,
        )

    batched = timed(batch) / len(poses)
    tested = room.state[2] / count
    needed = float(np.mean([nearer_boxes(stood, asked, q, answer) for q, answer in zip(poses, answers, strict=True)]))
    rows = [
        ("this engine, one core, poses in a batch", f"{1e6 * batched:.0f} us", "1"),
        ("this engine, call by call", f"{1e6 * seconds:.0f} us", f"{seconds / batched:.1f}"),
    ]
    fastest = np.inf
    for name in ("coal", "fcl"):
        try:
            module = __import__(name)
            distance = peer(module, stood)
        except (ImportError, AttributeError) as error:
            rows.append((name, f"not run: {error}", "-"))
            continue
        cores = worker().vertices[:, :2]
        moved = []
        for q in poses:
            turn, shift = pose(asked.motion, "worker", q)
            moved.append(cores @ turn.T + shift)
        found = [distance(capsules)[0] for capsules in moved]
        off = max(abs(max(a, 0.0) - max(b, 0.0)) for a, b in zip(answers, found, strict=True))
        each = timed(lambda distance=distance, moved=moved: [distance(c) for c in moved], most=5) / len(poses)
        if off < 1e-3:
            fastest = min(fastest, each)
            said = f"same answers to {1000 * off:.2f} mm"
        else:
            said = f"other answers, by up to {1000 * off:.0f} mm: not compared further"
        rows.append((f"{name}, broad phase over capsules ({said})", f"{1e6 * each:.0f} us", f"{each / batched:.1f}"))
    table("(a) One pose: worker to 1,000 members and 12 wires", ("who", "a pose", "times this engine's"), rows)
    print(
        f"\nPairs measured at a pose: {tested:.1f}; pairs whose boxes are nearer than the answer: {needed:.1f}; "
        f"{tested / needed:.2f} times as many."
    )
    return fastest if np.isfinite(fastest) else batched


def nearer_boxes(bodies, asked, q, answer):
    """Pairs of a worker's capsule and a standing primitive whose axis-parallel boxes are nearer than the answer."""
    turn, shift = pose(asked.motion, "worker", q)
    moved = worker().vertices[:, :2] @ turn.T + shift
    low, high = moved.min(axis=1) - RADIUS, moved.max(axis=1) + RADIUS
    total = 0
    for body in bodies:
        around = (body.shape.radius + body.shape.uncertainty)[:, None]
        other_low, other_high = body.shape.vertices.min(axis=1) - around, body.shape.vertices.max(axis=1) + around
        apart = np.maximum(low[:, None] - other_high[None], other_low[None] - high[:, None]).clip(min=0.0)
        total += int((np.linalg.norm(apart, axis=2) < answer).sum())
    return total


def clouds_and_meshes(quick):
    """(a2) The nearest of many points or triangles to one capsule: against scipy's tree and trimesh's proximity."""
    import trimesh
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(5)
    count = 100_000 if quick else 1_000_000
    cloud = rng.uniform([-100, -100, 0], [100, 100, 30], (count, 3))
    places = rng.uniform([-90, -90, 0], [90, 90, 30], (2_000, 3))
    store, search = tree.build_store([shapes.points(cloud, 0.0, 0.0)]), tree.new_search()
    found = np.empty(len(places))

    def ours(store=store, places=places, found=found):
        tree.nearest_each(store, places, store.root[0], np.inf, found, search)

    peer_tree = cKDTree(cloud)
    ours()
    same = np.abs(found - peer_tree.query(places)[0]).max()
    mine, theirs = timed(ours) / len(places), timed(lambda: peer_tree.query(places)) / len(places)
    rows = [
        (f"{count:,} points, a place", f"{1e6 * mine:.1f} us", f"scipy cKDTree {theirs / mine:.2f} x", f"{same:.0e} m")
    ]
    mesh = trimesh.creation.icosphere(subdivisions=4 if quick else 5, radius=10.0)
    mesh.vertices *= [3.0, 1.0, 0.5]
    few = places[:200] * 0.2
    solid = tree.build_store([shapes.triangles(mesh.triangles)])
    nearest = np.empty(len(few))
    ours(solid, few, nearest)
    theirs_found = trimesh.proximity.closest_point(mesh, few)[1]
    mine = timed(lambda: ours(solid, few, nearest)) / len(few)
    theirs = timed(lambda: trimesh.proximity.closest_point(mesh, few), most=3) / len(few)
    rows.append((f"{len(mesh.faces):,} triangles, a place", f"{1e6 * mine:.1f} us", f"trimesh {theirs / mine:.0f} x",
                 f"{np.abs(nearest - theirs_found).max():.0e} m"))  # fmt: skip
    table("(a2) The nearest of many", ("what", "this engine", "peer's time", "answers differ by"), rows)


def against_grid(bodies, per_pose):
    """(b) The certified least gap to 5 mm over three parameters, against a sampled grid."""
    asked = setting(("travel_m", "lean_along_deg", "climb_m"), bodies)
    engine = build_engine([asked])
    compiled = compile_setting(engine, asked)
    found = enclose(engine, compiled, paths(bodies, summed=False), tolerance_m=0.005)
    seconds = timed(lambda: enclose(engine, compiled, paths(bodies, summed=False), tolerance_m=0.005))
    counts = [
        int(np.ceil((BOXES[n][1] - BOXES[n][0]) / s)) + 1
        for n, s in (("travel_m", 0.1), ("lean_along_deg", np.radians(1)), ("climb_m", 0.1))
    ]
    grid = int(np.prod(counts))
    # The same guarantee by sampling: between samples the worker moves at most 5 mm, lever arm of the lean about 9 m.
    dense = int(
        np.prod(
            [
                np.ceil((BOXES[n][1] - BOXES[n][0]) * lever / (0.005 / 3) / 2)
                for n, lever in (("travel_m", 1), ("lean_along_deg", 9), ("climb_m", 1))
            ]
        )
    )
    rows = [
        (
            f"certified sweep, {found.boxes} boxes, [{found.lower_m:.3f}, {found.upper_m:.3f}] m",
            f"{seconds:.4f} s",
            "1",
        ),
        (
            f"grid 0.1 m x 1 deg x 0.1 m, {grid:,} poses, proves nothing (extrapolated from the fastest peer)",
            f"{grid * per_pose:.1f} s",
            f"{grid * per_pose / seconds:,.0f}",
        ),
        (
            f"sampling with the same guarantee, {dense:.1e} poses (extrapolated)",
            f"{dense * per_pose:.1e} s",
            f"{dense * per_pose / seconds:,.0f}",
        ),
    ]
    table("(b) Least gap over three parameters", ("how", "time", "times the sweep"), rows)


def growth(quick):
    """(c) How the sweep grows with what stands still, with parameters and with the tolerance."""
    rows = []
    for points in (
        (100, 10_000, 1_000_000) if quick else (100, 1_000, 10_000, 100_000, 1_000_000, 5_000_000, 10_000_000)
    ):
        bodies = line(points=points)
        asked = setting(("travel_m", "lean_along_deg", "climb_m"), bodies)
        start = time.perf_counter()
        engine = build_engine([asked])
        built = time.perf_counter() - start
        compiled = compile_setting(engine, asked)
        question = paths(bodies, summed=False)
        found = enclose(engine, compiled, question, tolerance_m=0.005)
        seconds = timed(lambda e=engine, c=compiled, q=question: enclose(e, c, q, tolerance_m=0.005), most=5)
        alone = (Path((Group(("worker",)), Group(("cloud",)))),)
        nearest = enclose(engine, compiled, alone, tolerance_m=0.005)
        apart = timed(lambda e=engine, c=compiled, q=alone: enclose(e, c, q, tolerance_m=0.005), most=5)
        rows.append(
            (f"{points:,}", f"{built:.2f} s", f"{1000 * seconds:.1f} ms", found.boxes, f"{1000 * apart:.1f} ms",
             nearest.boxes)
        )  # fmt: skip
    table(
        "(c1) Growth with scan points, three parameters, to 5 mm",
        ("points", "tree", "worker to anything", "boxes", "worker to points", "boxes"),
        rows,
    )
    rows = []
    bodies = line(points=10_000 if quick else 1_000_000)
    names = list(BOXES)
    for count in range(1, (4 if quick else 6) + 1):
        for summed in (False, True):
            asked = setting(tuple(names[:count]), bodies)
            engine = build_engine([asked])
            compiled = compile_setting(engine, asked)
            question = paths(bodies, summed)
            start = time.perf_counter()
            found = enclose(engine, compiled, question, tolerance_m=0.005, budget=200_000)
            least = time.perf_counter() - start
            start = time.perf_counter()
            enclose(
                engine, compiled, question, tolerance_m=1e-6, target_m=max(found.lower_m - 0.05, 0.0), budget=200_000
            )
            verdict = time.perf_counter() - start
            what = "wire, worker, earth summed" if summed else "worker to anything"
            rows.append((count, what, f"{least:.2f} s", f"{found.boxes:,} {found.outcome}", f"{verdict:.2f} s"))
    table(
        "(c2) Growth with parameters", ("parameters", "gap", "least to 5 mm", "boxes", "verdict, 50 mm to spare"), rows
    )
    rows = []
    asked = setting(tuple(names[:4]), bodies)
    engine = build_engine([asked])
    compiled = compile_setting(engine, asked)
    for tolerance in (0.1, 0.02, 0.005, 0.001):
        start = time.perf_counter()
        found = enclose(engine, compiled, paths(bodies, False), tolerance_m=tolerance)
        rows.append((f"{1000 * tolerance:g} mm", f"{1000 * (time.perf_counter() - start):.1f} ms", f"{found.boxes:,}"))
    table("(c3) Growth with the tolerance, four parameters", ("tolerance", "time", "boxes"), rows)


def swaying(quick):
    """(c4) Six parameters of which two move the wires: their sag, and a swing about the line through their ends."""
    names = ("travel_m", "climb_m", "lean_along_deg", "lean_across_deg")
    standing = [body for body in line(points=10_000 if quick else 1_000_000) if body.kind != "wire"]
    still = setting(names, standing)
    links, wires = list(still.motion.links), []
    x = np.linspace(-60, 60, 65)
    for k in range(12):
        side, height = -6.0 + 3.0 * (k % 3), 9.5 + 3.0 * (k // 3)
        curve = np.column_stack([x, np.full(65, side), height + 0.0005 * x**2])
        sag = np.column_stack([0 * x, 0 * x, (x / 60.0) ** 2 - 1.0])
        rate = np.stack([sag[:-1], sag[1:], sag[1:]], axis=1)
        swing = Joint("turn", "swing_deg", axis=(1.0, 0.0, 0.0), origin=(0.0, side, height + 0.0005 * 60.0**2))
        links.append(Link(f"wire {k}", None, (swing,)))
        shape = dataclasses.replace(shapes.polyline(curve, 0.014, 0.05), rate=rate)
        wires.append(Body(f"wire {k}", "wire", shape, potential="A", link=f"wire {k}"))
    box = {**{n: BOXES[n] for n in names}, "sag_m": (-0.6, 0.6), "swing_deg": (-np.radians(30), np.radians(30))}
    motion = Motion(tuple(links), (*names, "sag_m", "swing_deg"))
    asked = Setting("bench", "posture", (*still.bodies, *wires), motion, box, {wire.name: "sag_m" for wire in wires})
    engine = build_engine([asked])
    compiled = compile_setting(engine, asked)
    live, rows = Group(tuple(wire.name for wire in wires)), []
    for what, names in (("anything earthed", [body.name for body in standing]), ("the ground", ["ground"])):
        question = (Path((live, Group(("worker",)), Group(tuple(names)))),)
        start = time.perf_counter()
        found = enclose(engine, compiled, question, tolerance_m=0.005, budget=200_000)
        least = time.perf_counter() - start
        start = time.perf_counter()
        enclose(engine, compiled, question, tolerance_m=1e-6, target_m=found.lower_m - 0.05, budget=200_000)
        verdict = time.perf_counter() - start
        rows.append(
            (f"wire to worker to {what}", f"{least:.2f} s", f"{found.boxes:,} {found.outcome}", f"{verdict:.2f} s")
        )
    table(
        "(c4) Six parameters, wires that sag and swing",
        ("gap", "least to 5 mm", "boxes", "verdict, 50 mm to spare"),
        rows,
    )


def memory(points):
    """(d) Peak memory of a process that builds the tree of a cloud."""
    script = f"import sys; sys.path.insert(0, 'tests/bench'); import bench_engine as b;print(b.peak_of({points}))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    before, peak = map(float, done.stdout.split())
    table(
        "(d) Memory",
        ("points", "process with the shape alone", "with its tree, at the peak"),
        [(f"{points:,}", f"{before:.0f} MB", f"{peak:.0f} MB")],
    )


def peak_of(points):
    """Largest resident size [MB] of a process before and after it builds the tree of a cloud."""

    def largest():
        # The largest resident size of `getrusage` is inherited from the parent through fork and exec on Linux.
        if os.path.exists("/proc/self/status"):
            with open("/proc/self/status") as status:
                return next(float(line.split()[1]) for line in status if line.startswith("VmHWM")) / 1024.0
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0

    cloud = shapes.points(np.random.default_rng(0).uniform(-100, 100, (points, 3)), 0.0, 0.1)
    before = largest()
    tree.build_store([cloud])
    return f"{before} {largest()}"


def first_run():
    """What compiling costs, once on a machine: the built-in demonstration checked from an empty cache, and again."""
    program = "from clearance import check, read_scene; check(read_scene('scenes/demo.toml'))"
    seconds = []
    with tempfile.TemporaryDirectory() as kept:
        for _ in range(2):
            start = time.perf_counter()
            environment = {**os.environ, "NUMBA_CACHE_DIR": kept, "PYTHONPATH": os.getcwd()}
            subprocess.run([sys.executable, "-c", program], env=environment, check=True)
            seconds.append(time.perf_counter() - start)
    first, again = seconds
    table(
        "(e) first run: the demonstration's check in a process of its own",
        ("cache", "time"),
        [("empty", f"{first:.1f} s"), ("full", f"{again:.1f} s"), ("compiling", f"{first - again:.1f} s")],
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    bodies = line()
    asked = setting(("travel_m",), bodies)
    start = time.perf_counter()
    engine = build_engine([asked])
    enclose(engine, compile_setting(engine, asked), paths(bodies, True), tolerance_m=0.01)
    ready = time.perf_counter() - start
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}, kernel in {ready:.1f} s")
    per_pose = one_pose(bodies, quick)
    clouds_and_meshes(quick)
    against_grid(bodies, per_pose)
    growth(quick)
    swaying(quick)
    memory(1_000_000 if quick else 5_000_000)
    if not quick:
        first_run()


if __name__ == "__main__":
    main()
