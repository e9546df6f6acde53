"""The real server: in a browser by keyboard and without the server, and with many requests at once."""

import os
import re
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor

import httpx
import pytest

from tests.server import Fault
from wxfly.store import forecasts, layout

pytestmark = pytest.mark.thorough


@pytest.fixture
def served():
    """Start the server on a free port; give its address and its process."""
    command = [sys.executable, "-m", "wxfly", "serve", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        address = re.search(r"http://\S+", process.stdout.readline())[0].rstrip("/")
        yield address, process
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert "Traceback" not in err


def asked(address, path):
    for _ in range(300):
        reply = httpx.get(f"{address}{path}", timeout=60)
        if reply.status_code != 202:
            return reply
    raise AssertionError("no answer")


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
    command = [sys.executable, "-m", "wxfly", "serve", "--port", "0", "--host", "0.0.0.0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        address = re.search(r"http://\S+", process.stdout.readline())[0]
        plain, _, token = address.replace("0.0.0.0", "127.0.0.1").partition("?token=")
        assert httpx.get(plain).status_code == 403
        assert httpx.get(f"{plain}plans", headers={"authorization": f"Bearer {token}"}).status_code == 200
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert "Warning" in err and "not encrypted" in " ".join(err.split())


def test_a_port_that_is_taken_is_told_in_one_line(served, wxfly):
    port = served[0].rpartition(":")[2]
    code, out, err = wxfly("serve", "--port", port)
    assert (code, out) == (1, "")
    assert "give another --port" in err and len(err.strip().splitlines()) == 1


@pytest.mark.browser
def test_by_keyboard_alone_and_again_without_the_server(served, chromium):
    address, process = served
    asked(address, "/best?place=Kelderness")
    context = chromium.new_context(viewport={"width": 390, "height": 844}, reduced_motion="reduce")
    page = context.new_page()
    faults = []
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(f"{address}/")
    page.evaluate("() => navigator.serviceWorker.ready")
    first = page.locator(".answer-link").first
    page.wait_for_function("() => /room to fly/i.test(document.querySelector('.answer-link').textContent)")
    # The start leads to the answer in one step, by keyboard: skip what is above, then the first place.
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    for _ in range(6):
        page.keyboard.press("Tab")
        if page.evaluate("() => document.activeElement.className") == "answer-link":
            break
    assert first.evaluate("one => one === document.activeElement")
    page.keyboard.press("Enter")
    page.wait_for_url("**/best?place=Kelderness")
    page.wait_for_selector(".js-plotly-plot")
    said = page.locator("h1").inner_text()
    page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
    page.set_viewport_size({"width": 320, "height": 600})
    page.wait_for_function("() => document.documentElement.scrollWidth <= innerWidth")
    page.goto(f"{address}/best?place=Kelderness")  # with the worker in charge
    page.wait_for_selector(".js-plotly-plot")
    assert faults == []
    process.send_signal(signal.SIGINT)
    process.wait(timeout=30)
    page.goto(f"{address}/best?place=Kelderness")
    assert re.search(r"Kept answer, \d+ min old", page.locator("body > p").first.inner_text())
    assert page.locator("h1").inner_text() == said
    page.wait_for_selector(".js-plotly-plot")
    assert page.goto(f"{address}/week").status == 503
    assert "does not answer" in page.locator("h1").inner_text()
    context.close()


def test_killed_in_the_midst_of_a_fetch_the_next_start_answers_and_the_store_is_whole(server, own_folders):
    environment = {**os.environ, **server.environment()}

    def start(port="0"):
        command = [sys.executable, "-m", "wxfly", "serve", "--port", port]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)
        return re.search(r"http://\S+", process.stdout.readline())[0].rstrip("/"), process

    server.always["forecast"] = Fault(drip=0.05)  # byte by byte
    address, process = start()
    page = httpx.get(f"{address}/best?place=52.31%2C6.84", timeout=60)
    assert page.status_code == 202 and "52.31,6.84" in page.text
    while not server.asked("forecast"):
        time.sleep(0.05)
    process.kill()
    process.communicate()
    server.always.clear()
    address, process = start(address.rpartition(":")[2])
    reply = asked(address, "/best?place=52.31%2C6.84")  # what the browser's reload asks
    assert reply.status_code == 200 and "to fly at" in reply.text
    process.send_signal(signal.SIGINT)
    assert "Traceback" not in process.communicate(timeout=30)[1]
    for stored in layout.list_forecasts():
        assert forecasts.open_forecast(stored).sizes["time"] > 0
