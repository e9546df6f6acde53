"""Kill a fetch at random moments and look at what is left; ``python -m tests.faults.kill 200``.

Prints how often the store was found whole. Not part of the test suite: it takes some minutes.
"""

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
FETCH = """
import sys
sys.path.insert(0, {root!r})
from wxfly.retrieval import obtain
got = obtain(sys.argv[1:], saved={{}}, model="icon_eu")
print(got.origin)
"""


def main(times: int) -> int:
    """Kill `times` fetches; return 1 when anything was not whole."""
    random.seed(1)
    server = WeatherServer()
    found: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        environment = os.environ | server.environment() | {"WXFLY_CACHE": folder, "WXFLY_CONFIG": f"{folder}/config"}
        os.environ.update(environment)
        from wxfly import store
        from wxfly.errors import WxflyError

        def fetch(*places: str) -> "subprocess.Popen[str]":
            code = FETCH.format(root=str(ROOT))
            return subprocess.Popen(
                [sys.executable, "-c", code, *places], env=environment, stdout=subprocess.PIPE,
                stderr=subprocess.PIPE, text=True,
            )  # fmt: skip

        started = time.monotonic()
        fetch("52.31,6.84").communicate()
        whole = time.monotonic() - started
        print(f"one fetch takes {whole:.2f} s")
        for k in range(times):
            place = f"{50 + k * 0.01:.4f},6.8400"
            victim = fetch(place, "52.31,6.94")
            time.sleep(random.uniform(0.6 * whole, 1.1 * whole))
            victim.send_signal(signal.SIGKILL)
            victim.communicate()
            left = [p for p in Path(folder).rglob("*") if p.name.endswith(".part")]
            found["left a part beside"] += bool(left)
            for stored in store.list_forecasts():
                try:
                    store.load_cube(stored.path, verify=True)
                except WxflyError as fault:
                    found["NOT WHOLE"] += 1
                    print(fault)
            found["had stored its place"] += any(f"{s.latitude:.4f}" == place[:7] for s in store.list_forecasts())
            if k % 20 == 19:
                before = time.monotonic()
                after = fetch(place)
                said, wrong = after.communicate()
                found["answered afterwards"] += said.strip() in ("fetched", "store")
                if time.monotonic() - before > 10 + 3 * whole or wrong:
                    found["BLOCKED"] += 1
                    print(wrong)
    server.close()
    print(f"{times} kills:", dict(found))
    return int(bool(found["NOT WHOLE"] or found["BLOCKED"]))


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200))
