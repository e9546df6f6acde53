"""Kill a fetch at random moments and look at what is left; ``python -m tests.faults.kill 200``.

Each fetch is a process of its own that has already loaded what it needs, so that every moment falls into asking,
checking, writing beside and renaming. Prints how often the store was found whole.
"""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.server import WeatherServer

ROOT = Path(__file__).resolve().parents[2]
EVERY = 10  # after so many kills a fetch is let through, to see that nothing blocks
LONGEST = 60.0  # that one may take [s]


def kill_fetches(times):
    """Kill `times` fetches; give what was found, by name. `NOT WHOLE` and `BLOCKED` must not be among it."""
    server = WeatherServer()
    try:
        with tempfile.TemporaryDirectory() as folder:
            environment = os.environ | server.environment()
            environment |= {"WXFLY_CACHE": f"{folder}/cache", "WXFLY_CONFIG": f"{folder}/config"}
            done = subprocess.run(
                [sys.executable, "-m", "tests.faults.kill", "--below", str(times)],
                cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True, check=True,
            )  # fmt: skip
    finally:
        server.close()
    return json.loads(done.stdout.splitlines()[-1])


def _below(times):
    """Fork, kill and look; in a process without the server's threads."""
    from wxfly.errors import WxflyError
    from wxfly.pilot.settings import cache_folder
    from wxfly.retrieval.forecast import obtain
    from wxfly.store import forecasts

    random.seed(1)
    found = Counter()

    def fetch(*places):
        child = os.fork()
        if child == 0:
            code = 1
            with contextlib.suppress(BaseException):
                code = 0 if obtain(places, saved={}, model="icon_eu").origin in ("fetched", "store") else 1
            os._exit(code)
        return child

    obtain(["52.31,6.84"], saved={}, model="icon_eu")  # loads everything
    whole = min(_seconds(fetch, f"52.31,6.9{k}", f"52.31,6.9{k + 1}") for k in (0, 2, 4))
    for k in range(times):
        place = f"{50 + k * 0.01:.4f}"
        victim = fetch(f"{place},6.8400", f"{place},6.9400")
        time.sleep(random.uniform(0, 1.1 * whole))
        os.kill(victim, signal.SIGKILL)
        _, status = os.waitpid(victim, 0)
        found["killed while at work" if os.WIFSIGNALED(status) else "finished before"] += 1
        if any(cache_folder().rglob(f".{place}N_*.part")):
            found["a part left beside"] += 1
        here = [s for s in forecasts.list_forecasts() if f"{s.latitude:.4f}" == place]
        found[f"{len(here)} of its 2 places stored"] += 1
        # Those of earlier kills are looked at again at the end.
        for stored in forecasts.list_forecasts() if k == times - 1 else here:
            try:
                forecasts.open_forecast(stored)
                found["files seen to be whole"] += 1
            except WxflyError as fault:
                found["NOT WHOLE"] += 1
                print(fault, file=sys.stderr)
        if k % EVERY == EVERY - 1:
            begin = time.monotonic()
            _, status = os.waitpid(fetch(f"{place},6.8400", f"{place},6.9400"), 0)
            late = time.monotonic() - begin > LONGEST
            found["BLOCKED" if late or status else "answered afterwards"] += 1
    print(json.dumps(found))


def _seconds(fetch, *places):
    started = time.monotonic()
    os.waitpid(fetch(*places), 0)
    return time.monotonic() - started


def main(arguments):
    """Return 1 when anything was not whole, or a fetch was blocked by what a killed one left."""
    if arguments[:1] == ["--below"]:
        _below(int(arguments[1]))
        return 0
    times = int(arguments[0]) if arguments else 200
    found = kill_fetches(times)
    print(f"{times} kills:", found)
    return int("NOT WHOLE" in found or "BLOCKED" in found)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
