"""How many pages a rig kit has and how long it takes: python tests/bench/bench_kit.py [markers]. Nothing is asserted.

Two thirds squares, one third random shapes of 120 mm on two walls and three coves, two stands, a push of 16 frames.
"""

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))
from kit_plans import kit_plan
from scatterproof.kit.build import KitOptions, build_kit
from scatterproof.kit.paper import PAPERS
from scatterproof.kit.pdf import pages_pdf
from scatterproof.sightings.need import planned_layout


def main(count):
    plan = kit_plan(squares=2 * count // 3, randoms=count - 2 * count // 3, square=0.12, random="[0.10, 0.12]")
    print(f"{len(planned_layout(plan, Path()).markers.name)} markers of 100 to 120 mm")
    for paper in PAPERS:
        start = time.perf_counter(), time.process_time()
        kit = build_kit(plan, options=KitOptions(paper=paper))
        data = pages_pdf(kit.pages, plan.name)
        took = time.perf_counter() - start[0], time.process_time() - start[1]
        cut = sum(page.kind == "cut" for page in kit.pages)
        size = len(data) / 1e6
        print(f"{paper:8} {len(kit.pages)} pages, {cut} of them to cut; {size:.1f} MB; ", end="")
        print(f"{took[0]:.1f} s ({took[1]:.1f} s CPU)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 600)
