"""The real server: many requests at once, beyond loopback, a port that is taken, and killed in a fetch."""

import re
import signal
import time
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from tests.server import Fault
from tests.web.serving import asked, serving
from wxfly.store import forecasts

pytestmark = pytest.mark.thorough


@pytest.fixture
def served():
    """Start the server on a free port; give its address and its process."""
    with serving() as (address, process):
        yield address, process


def test_many_at_once_get_the_answer_of_one(served):
    address, _ = served
    paths = ["/api/v1/best?place=Kelderness", "/api/v1/best?place=Valdrenna", "/api/v1/sites", "/plans"]
    alone = {path: re.sub(rb'name="csrf" value="\w+"', b"", httpx.get(f"{address}{path}", timeout=90).content)
             for path in paths}  # fmt: skip
    with httpx.Client(limits=httpx.Limits(max_connections=64), timeout=90) as client, ThreadPoolExecutor(64) as pool:
        replies = list(pool.map(lambda i: (paths[i % 4], client.get(f"{address}{paths[i % 4]}")), range(200)))
    assert {reply.status_code for _, reply in replies} == {200}
    for path, reply in replies:
        assert re.sub(rb'name="csrf" value="\w+"', b"", reply.content) == alone[path]


def test_beyond_loopback_it_warns_and_wants_its_token():
    with serving("--host", "0.0.0.0") as (address, process):
        plain, _, token = address.replace("0.0.0.0", "127.0.0.1").partition("?token=")
        assert httpx.get(plain).status_code == 403
        assert httpx.get(f"{plain}plans", headers={"authorization": f"Bearer {token}"}).status_code == 200
        process.send_signal(signal.SIGINT)
        err = process.stderr.read()
    assert "Warning" in err and "not encrypted" in " ".join(err.split())


def test_a_port_that_is_taken_is_told_in_one_line(served, wxfly):
    port = served[0].rpartition(":")[2]
    code, out, err = wxfly("serve", "--port", port)
    assert (code, out) == (1, "")
    assert "give another --port" in err and len(err.strip().splitlines()) == 1


def test_killed_in_the_midst_of_a_fetch_the_next_start_answers_and_the_store_is_whole(server, own_folders):
    server.always["forecast"] = Fault(drip=0.05)  # byte by byte
    with serving(environment=server.environment()) as (address, process):
        page = httpx.get(f"{address}/best?place=52.31%2C6.84", timeout=60)
        assert page.status_code == 202 and "52.31,6.84" in page.text
        while not server.asked("forecast"):
            time.sleep(0.05)
        process.kill()
    server.always.clear()
    with serving("--port", address.rpartition(":")[2], environment=server.environment()) as (address, _):
        reply = asked(address, "/best?place=52.31%2C6.84")  # what the browser's reload asks
        assert reply.status_code == 200 and "to fly at" in reply.text
    for stored in forecasts.list_forecasts():
        assert forecasts.open_forecast(stored).sizes["time"] > 0
