"""What a fleet costs: requests, weighted calls, seconds and peak memory, against a server on this machine.

    python tests/benchmarks/fleet.py [--sites 800] [--obtained 800] [--judged 800] [--days 16] [--ensemble icon_eu_eps]

The requests for all sites are planned, with models chosen by place. Then, in processes of their own and with one model:
the forecasts and members of the sites to obtain are obtained and dropped, the same of the sites to judge; these are
judged and ranked, and again with all in the store. The limits of the free service are lifted for the run. It prints one
JSON object. Its times are of one run; only their ratios mean something.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

AIRCRAFT = ("camera-quad-250g", "camera-quad-1kg", "cine-hexacopter")


def table(path: Path, count: int) -> None:
    """Write a table of invented sites."""
    chance = random.Random(1)
    rows = ["name,latitude,longitude,elevation,aircraft"]
    for k in range(count):
        place = f"{chance.uniform(48, 54):.4f},{chance.uniform(6, 14):.4f},{chance.randint(5, 60)}"
        rows.append(f"Mast {k:03d},{place},{AIRCRAFT[k % len(AIRCRAFT)]}")
    path.write_text("\n".join(rows), encoding="utf-8")


def obtain_only(path: Path, days: int, ensemble: str) -> None:
    """Obtain what a fleet needs and drop it; print what it took."""
    from wxfly.pilot.options import read_words
    from wxfly.question import fleet

    asked = fleet.read_fleet_question(path, read_words({"days": days, "ensemble": (ensemble,)}))
    read = time.perf_counter()
    run = fleet._Run(asked, lambda _: None)
    found = sum(job.obtained is not None for job in run.jobs())
    cost = fleet.tally()
    seconds = time.perf_counter() - read
    print(json.dumps({"sites": found, "requests": cost.requests, "weight": cost.weight, "seconds": seconds}))


def planned(path: Path, days: int, ensemble: str) -> dict[str, float]:
    """Return how many requests all sites need, and what they weigh."""
    from wxfly.pilot.options import read_words
    from wxfly.pilot.settings import load_settings
    from wxfly.question import fleet
    from wxfly.retrieval import fleet as retrieval

    asked = fleet.read_fleet_question(path, read_words({"days": days, "ensemble": (ensemble,)}))
    places = fleet._Run(asked, lambda _: None)._places([row.site for row in asked.rows], ())
    groups = retrieval.group_places(list(places), load_settings())
    parts = [retrieval._most(retrieval._weight_of_members(g, 1), retrieval._LENGTH_OF_MEMBERS) for g in groups]
    return {
        "forecast_requests": sum(len(group.models) for group in groups),
        "member_requests": sum(-(-len(g.places) // part) for g, part in zip(groups, parts, strict=True)),
        "forecast_weight": sum(group.weight for group in groups),
        "member_weight": sum(retrieval._weight_of_members(g, len(g.places)) for g in groups),
    }


def measured(command: list[str], environment: dict[str, str]) -> tuple[dict[str, float], float, float, float]:
    """Run a process; return what it printed, its seconds, its largest memory [MB], and its seconds of processor."""
    began = time.perf_counter()
    with subprocess.Popen(command, env=environment, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        out = process.stdout.read()
        _, _, usage = os.wait4(process.pid, 0)
    seconds = time.perf_counter() - began
    return json.loads(out), seconds, usage.ru_maxrss / 1024, usage.ru_utime + usage.ru_stime


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=800)
    parser.add_argument("--obtained", type=int)
    parser.add_argument("--judged", type=int)
    parser.add_argument("--days", type=int, default=16)
    parser.add_argument("--ensemble", default="icon_eu_eps")
    parser.add_argument("--obtain", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.obtain:
        obtain_only(given.obtain, given.days, given.ensemble)
        return
    count, judged = given.obtained or given.sites, given.judged or given.sites
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        table(folder / "all.csv", given.sites)
        table(folder / "obtained.csv", count)
        table(folder / "judged.csv", judged)
        os.environ |= {"WXFLY_CONFIG": f"{folder}/config", "WXFLY_CACHE": f"{folder}/cache"}
        plan = planned(folder / "all.csv", given.days, given.ensemble)
        server = subprocess.Popen([sys.executable, "-m", "tests.server"], cwd=ROOT, stdout=subprocess.PIPE, text=True)
        try:
            assert server.stdout is not None
            lines = [server.stdout.readline().removeprefix("export ").strip() for _ in range(13)]
            environment = {**os.environ, **dict(line.split("=", 1) for line in lines)}
            environment |= {"WXFLY_CACHE": f"{folder}/cache", "WXFLY_CONFIG": f"{folder}/config"}
            environment |= {"WXFLY_PATIENCE": "600", "WXFLY_FORECAST_KEY": "benchmark", "PYTHONPATH": str(ROOT)}
            words = ["--days", str(given.days), "--ensemble", given.ensemble]
            own = [sys.executable, __file__, *words]
            few = [sys.executable, __file__, *words, "--obtain", str(folder / "judged.csv")]
            obtained, obtaining, peak, obtaining_work = measured(
                [*own, "--obtain", str(folder / "obtained.csv")], environment
            )
            _, _, small_peak, _ = measured(few, environment | {"WXFLY_CACHE": f"{folder}/few"})
            command = [sys.executable, "-m", "wxfly", "fleet", str(folder / "judged.csv"), *words, "--json"]
            fresh = environment | {"WXFLY_CACHE": f"{folder}/fresh"}
            first, first_seconds, first_peak, _ = measured(command, fresh)
            again, again_seconds, again_peak, work = measured(command, fresh)
        finally:
            server.terminate()
            server.wait()
    print(
        json.dumps(
            {
                "sites": given.sites, "days": given.days, "ensemble": given.ensemble,
                **{f"planned_{name}": round(value, 1) for name, value in plan.items()},
                "planned_hours_at_the_free_rate": round((plan["forecast_weight"] + plan["member_weight"]) / 5000, 1),
                "planned_hours_without_members": round(plan["forecast_weight"] / 5000, 1),
                "obtained": obtained["sites"], "requests": obtained["requests"],
                "weighted_calls": round(obtained["weight"], 1),
                "obtain_seconds": round(obtaining, 1), "obtain_peak_megabytes": round(peak),
                "obtain_peak_of_judged_megabytes": round(small_peak),
                "memory_ratio_all_to_judged": round(peak / small_peak, 2),
                "judged": judged, "judged_seconds": round(first_seconds, 1), "judged_peak_megabytes": round(first_peak),
                "judged_again_seconds": round(again_seconds, 1), "judged_again_requests": again["requests"],
                "again_peak_megabytes": round(again_peak),
                "processor_seconds_per_site_obtained": round(obtaining_work / count, 2),
                "processor_seconds_per_site_judged": round(work / judged, 2),
                "ratio_again_to_first": round(again_seconds / first_seconds, 2),
                "without_answer": first["without_answer"],
            }
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
