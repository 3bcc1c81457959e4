"""How often figures should come: what each rate costs, and how old a figure is for who looks at it.

    python tests/benchmarks/tick_rates.py [--rates 50 25 20] [--rounds 3] [--seconds 20] [--results FOLDER]

- Cost: `tipdatum run` on five inertial sensors as in `service_cost.py`, the rates in turn, the median of the
  rounds: processor time and wakes.
- Age: `tests/harness/latency.py` at each rate. A figure's own age when it comes is that of its newest
  reading; at any moment it is older by as long as it has stood.

Times depend on the computer; the ratio to the first rate does much less. Writes `tick_rates.json` and `.md`.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))

from latency import measure
from service_cost import ROOT, Board, Mosquitto, cost_of, five_sensors, listening, write_service


def costs(rates: list[float], rounds: int, seconds: float) -> dict[float, list[dict[str, float]]]:
    """What a live run costs at each rate, rates in turn."""
    machine, packets = five_sensors()
    found: dict[float, list[dict[str, float]]] = {rate: [] for rate in rates}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        broker, board = Mosquitto.open_to_all(folder), Board(packets)
        try:
            with listening(broker.port) as heard:
                for _ in range(rounds):
                    for rate in rates:
                        service = write_service(folder, machine, board, broker.port, tick_hz=rate)
                        found[rate].append(cost_of(service, heard, seconds))
        finally:
            board.close()
            broker.stop()
    return found


def ages(rate: float, seconds: float) -> dict[str, Any]:
    """Latency of figures that come, and their age at any moment, s."""
    with tempfile.TemporaryDirectory() as place:
        found = measure(Path(place), seconds, lambda stage, share: None, tick_hz=rate)
    return {"came": found["latency_s"]["total"], "any": found["age_at_any_moment_s"]}


def table(result: list[dict[str, Any]]) -> str:
    """The result as a page."""
    lines = [
        "| figures a second | five IMUs live, of one core | to the first | wakes a second "
        "| latency p50, p99 | age at any moment p50, p99 |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    for one in result:
        came, looked = one["age"]["came"], one["age"]["any"]
        lines.append(
            f"| {one['rate']:g} | {one['cpu_percent']:.1f} % | {one['to_first']:.2f} | {one['wakes']:.0f} "
            f"| {came['p50'] * 1e3:.1f}, {came['p99'] * 1e3:.1f} ms "
            f"| {looked['p50'] * 1e3:.1f}, {looked['p99'] * 1e3:.1f} ms |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure, print, write."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rates", type=float, nargs="+", default=[50.0, 25.0, 20.0])
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seconds", type=float, default=20.0, help="of each run")
    parser.add_argument("--results", type=Path, default=ROOT / "results")
    args = parser.parse_args()
    cost = costs(args.rates, args.rounds, args.seconds)
    result = [
        {
            "rate": rate,
            "cpu_percent": statistics.median(one["cpu_percent"] for one in cost[rate]),
            "to_first": statistics.median(
                one["cpu_percent"] / first["cpu_percent"]
                for one, first in zip(cost[rate], cost[args.rates[0]], strict=True)
            ),
            "wakes": statistics.median(one["wakes_a_second"] for one in cost[rate]),
            "age": ages(rate, args.seconds),
        }
        for rate in args.rates
    ]
    text = table(result)
    args.results.mkdir(parents=True, exist_ok=True)
    (args.results / "tick_rates.json").write_text(json.dumps(result, indent=1) + "\n")
    (args.results / "tick_rates.md").write_text(text)
    print(text)


if __name__ == "__main__":
    main()
