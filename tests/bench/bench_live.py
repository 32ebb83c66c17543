"""How long the live page's engine takes for a pose of the demonstration, asked over the loopback address as by a page.

    python tests/bench/bench_live.py [SCENE] [--poses 8]

Random poses over all that may be moved, every stage; the first of each stage is left out, as the page asks it while it
opens. Given: elapsed time, and processor time, which depends less on what else the machine does. Goal: 50 ms.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import threading
import time

import numpy as np

from clearance.pipeline import check_prepared, prepare
from clearance.scene.builtin import builtin_scene
from clearance.scene.reading import read_scene
from clearance.view.live import server, session
from clearance.view.posing import free_ranges
from clearance.view.weather import MOVABLE


def main() -> None:
    """Ask and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scene", nargs="?")
    parser.add_argument("--poses", type=int, default=8)
    asked = parser.parse_args()
    prepared = prepare(read_scene(asked.scene or builtin_scene("demo")))
    made = server(session(prepared, check_prepared(prepared, 0.05)))
    threading.Thread(target=made.serve_forever, daemon=True).start()
    port = made.server_address[1]
    draw = np.random.default_rng(1)
    print(f"load before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    elapsed, spent, size = [], [], 0
    for number in range(len(prepared.stages)):
        ranges = {name: span for name, span in free_ranges(prepared, number).items() if name not in MOVABLE}
        for k in range(asked.poses + 1):
            at = {name: float(draw.uniform(*span)) for name, span in ranges.items()}
            body = json.dumps({"stage": number, "at": at})
            began, before = time.perf_counter(), time.process_time()
            connection = http.client.HTTPConnection("127.0.0.1", port)
            connection.request(
                "POST", "/pose", body, {"Content-Type": "application/json", "Origin": f"http://127.0.0.1:{port}"}
            )
            answer = connection.getresponse().read()
            if k:
                elapsed.append(1e3 * (time.perf_counter() - began))
                spent.append(1e3 * (time.process_time() - before))
                size = max(size, len(answer))
    for name, values in (("elapsed", elapsed), ("processor", spent)):
        low, high = np.percentile(values, [50, 95])
        print(f"{name}: median {low:.0f} ms, 95 of 100 under {high:.0f} ms, over {len(values)} poses")
    print(f"largest answer: {size / 1e3:.0f} kB; load after: {os.getloadavg()[0]:.1f}")
    made.shutdown()


if __name__ == "__main__":
    main()
