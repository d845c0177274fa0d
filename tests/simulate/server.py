"""A simulated stand in a process of its own, for the tests: prints its address, serves until it is told to end."""

from __future__ import annotations

import argparse
import json

from benchkit.profiles import load_stand, shared_path
from benchkit.simulate.drives import Load
from benchkit.simulate.serve import run_server


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("endpoint")
    options.add_argument("--load", default="propeller")
    options.add_argument("--time-factor", type=float, default=50.0)
    options.add_argument("--rate", type=float, default=500.0)
    options.add_argument("--watchdog", type=float)
    given = options.parse_args()
    served = run_server(
        load_stand(shared_path("stands", "airboat.toml")).stand,
        load=Load(given.load),
        seed=5,
        time_factor=given.time_factor,
        rate_hz=given.rate,
        endpoint=given.endpoint,
        watchdog_s=given.watchdog,
        announce=lambda address: print(address, flush=True),
    )
    print(json.dumps({"lines": served.lines, "dropped": served.dropped}), flush=True)


if __name__ == "__main__":
    main()
