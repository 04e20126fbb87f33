"""How long one rough wall takes, and the promise of `rough_wall` on many more bowls.

Run by hand: `python tests/bench/bench_rough_wall.py [bowls]`. Prints the time a bowl as a ratio
of carrying as many points through the map, and by how much any finished bowl sticks out.
"""

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))

from test_rough_wall import random_case, sticking_out_mm, surface_points

from woodlab.studies.movement.least_rough import least_rough
from woodlab.studies.movement.rim_geometry import carry


def main(bowls: int) -> None:
    rng = np.random.default_rng(1)
    points = rng.uniform(1, 200, (2, 10_000))
    start = time.perf_counter()
    for _ in range(100):
        carry(*points, 4.0, 8.0)
    unit = (time.perf_counter() - start) / 100

    spent, worst = 0.0, -np.inf
    for _ in range(bowls):
        finished, strains, faces, pith = random_case(rng)
        start = time.perf_counter()
        rough = least_rough(finished, strains, faces, pith)
        spent += time.perf_counter() - start
        lower, upper = strains.loc["lower"], strains.loc["upper"]
        points = surface_points(finished, rng)
        for share in (*rng.integers(0, 2, (2, 3)), *rng.uniform(0, 1, (2, 3))):
            tree = (lower + share * (upper - lower)).to_numpy()
            worst = max(worst, sticking_out_mm(rough, finished, tree, points))
    print(f"{bowls} bowls, {4 * bowls} trees: furthest out {worst:.4f} mm (0 or less: kept)")
    print(f"one rough wall costs {spent / bowls / unit:.1f} times carrying 10,000 points")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
