"""What the page stands: so many requests in flight for so long, on this machine.

    python tests/benchmarks/load.py [--seconds 120] [--users 200]

It needs locust. The server is started, asked for each address alone, and then by all users at once, again and again.
It prints one JSON object: how many requests failed or differed from the answer given alone, the slowest hundredth
against the median, and the memory of the server before and after.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

PATHS = (
    "/", "/best?place=Kelderness", "/api/v1/best?place=Kelderness", "/week?place=Valdrenna", "/api/v1/sites", "/plans",
)  # fmt: skip
SERVE = [sys.executable, "-m", "wxfly", "serve", "--port", "0"]
_OF_SESSION = re.compile(rb'name="csrf" value="\w+"|\d+ min old')


def without_session(content: bytes) -> bytes:
    """Return a page without what is of one session or one minute."""
    return _OF_SESSION.sub(b"", content)


if os.environ.get("WXFLY_LOAD_ALONE"):  # this file is read by locust
    from locust import HttpUser, constant, task

    ALONE = json.loads(Path(os.environ["WXFLY_LOAD_ALONE"]).read_text(encoding="utf-8"))

    class Visitor(HttpUser):
        """Asks for one address after the other."""

        wait_time = constant(0)

        @task
        def ask(self) -> None:
            """Ask for each address, and compare its answer with that given alone."""
            for path in PATHS:
                with self.client.get(path, catch_response=True) as reply:
                    if reply.status_code == 202:  # an answer is a minute old and made anew: the page says so
                        reply.success()
                    elif reply.status_code != 200:
                        reply.failure(f"status {reply.status_code}")
                    elif without_session(reply.content).decode() != ALONE[path]:
                        reply.failure("another answer than alone")


def memory(process: int) -> float:
    """Return the memory of a process [MB]."""
    status = Path(f"/proc/{process}/status").read_text(encoding="ascii")
    return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1000  # type: ignore[index]


def alone(address: str) -> dict[str, str]:
    """Ask for each address until its answer is there."""
    import httpx

    found = {}
    for path in PATHS:
        for _ in range(300):
            reply = httpx.get(f"{address}{path}", timeout=60)
            if reply.status_code == 200 and b"data-ask-again" not in reply.content:
                break
        found[path] = without_session(reply.content).decode()
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=int, default=120)
    parser.add_argument("--users", type=int, default=200)
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as folder,
        subprocess.Popen(SERVE, stdout=subprocess.PIPE, text=True) as server,
    ):
        assert server.stdout is not None
        address = server.stdout.readline().split()[3].rstrip("/")
        kept, figures = Path(folder) / "alone.json", Path(folder) / "load"
        kept.write_text(json.dumps(alone(address)), encoding="utf-8")
        before = memory(server.pid)
        subprocess.run(
            [sys.executable, "-m", "locust", "-f", __file__, "--headless", "--only-summary", "-H", address,
             "-u", str(given.users), "-r", str(given.users), "-t", f"{given.seconds}s", "--csv", str(figures)],
            env={**os.environ, "WXFLY_LOAD_ALONE": str(kept)}, check=False, capture_output=True,
        )  # fmt: skip
        after = memory(server.pid)
        server.send_signal(signal.SIGINT)
        with Path(f"{figures}_stats.csv").open(encoding="utf-8", newline="") as table:
            total = list(csv.DictReader(table))[-1]
    median, slowest = float(total["50%"]), float(total["99%"])
    print(
        json.dumps(
            {
                "requests": int(total["Request Count"]), "failed": int(total["Failure Count"]),
                "in_a_second": float(total["Requests/s"]), "median_ms": median, "p99_to_median": slowest / median,
                "megabytes_before": before, "megabytes_after": after,
            }
        )
    )  # fmt: skip


if __name__ == "__main__":
    main()
