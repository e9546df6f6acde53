import json
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from tests.server import Fault
from wxfly.cli.watching import Watching
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.http import check_receiver, send

PLACE = "52.31,6.84"
LIMITS = ("--limit", "gust=20m/s", "--limit", "wind=18m/s")


def dry(times_the_wind):
    """Return what makes a forecast dry and multiplies its wind."""

    def change(body):
        reply = json.loads(body)
        for name, values in reply["hourly"].items():
            if name.startswith(("precipitation", "weather_code", "cloud_cover", "cape")):
                reply["hourly"][name] = [0] * len(values)
            if name.startswith(("wind_speed", "wind_gusts")):
                reply["hourly"][name] = [None if v is None else times_the_wind * v for v in values]
        return json.dumps(reply).encode()

    return Fault(change=change)


@pytest.fixture
def receiver():
    """Return a server that keeps what it is sent."""
    kept, statuses = [], []

    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_):
            pass

        def do_POST(self):
            kept.append(self.rfile.read(int(self.headers["content-length"])))
            self.send_response(statuses.pop(0) if statuses else 204)
            self.send_header("content-length", "0")
            self.end_headers()

    server = HTTPServer(("127.0.0.1", 0), Handler)
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    server.kept, server.statuses, server.url = kept, statuses, f"http://127.0.0.1:{server.server_address[1]}/secret"
    yield server
    server.shutdown()
    server.server_close()


def test_a_change_ends_with_its_code_and_is_sent(wxfly, server, clock, receiver):
    asked = ("watch", PLACE, *LIMITS, "--once", "--json", "--webhook", receiver.url)
    server.always["forecast"] = dry(1)
    code, out, err = wxfly(*asked)
    assert code == 0, err
    assert json.loads(out)["changes"] == []
    assert wxfly(*asked)[:2] == (0, "")
    asked_before = len(server.asked("forecast"))
    clock(hours=6)
    server.always["forecast"] = dry(5)
    receiver.statuses.append(500)
    code, out, err = wxfly(*asked)
    assert (code, out) == (1, "") and "127.0.0.1 did not take what the watch tells (status 500)" in err
    assert "secret" not in err
    code, out, _ = wxfly(*asked)
    assert code == 20
    assert json.loads(out)["changes"][0]["turn"] == "gone"
    assert json.loads(receiver.kept[-1]) == json.loads(out)
    assert len(server.asked("forecast")) == asked_before + 1
    assert wxfly(*asked)[:2] == (0, "")


def test_it_looks_as_runs_come_and_outlives_a_failure(server, clock):
    from wxfly.cli import watching as module
    from wxfly.pilot.options import read_words

    told, slept = [], []
    watching = Watching(lambda: module.ask_again([PLACE], read_words({}), week=False), [told.append], None)

    def sleep(seconds):
        slept.append(seconds)
        if len(slept) == 1:
            server.down = dict.fromkeys(("forecast", "metadata", "ensemble", "kp"), "refused")
        if len(slept) == 3:
            raise KeyboardInterrupt
        clock(seconds=seconds if len(slept) == 1 else 60 * 3600)

    with pytest.raises(KeyboardInterrupt):
        watching.go_on(sleep)
    assert slept[0] == pytest.approx(6 * 3600, abs=60)
    assert told


def test_a_first_look_that_fails_ends_it():
    def fails():
        raise WxflyError("no such place")

    with pytest.raises(WxflyError, match="no such place"):
        Watching(fails, [], None).go_on(lambda _: None)


@pytest.mark.parametrize("url", ["http://example.org/x", "ftp://localhost/x", "file:///etc/passwd", "example.org", ""])
def test_it_sends_nowhere_in_the_clear(url):
    with pytest.raises(WxflyError, match="is sent to https"):
        check_receiver(url)


def test_nothing_listens_is_one_line():
    with pytest.raises(WxflyError, match=r"127\.0\.0\.1 did not take what the watch tells \(ConnectError\)"):
        send("http://127.0.0.1:9/secret", b"{}", settings=load_settings())


def test_a_notification_is_words_and_no_command(wxfly, own_folders, monkeypatch):
    tool = own_folders / "tools" / "notify-send"
    tool.parent.mkdir()
    tool.write_text(f'#!/bin/sh\nfor word in "$@"; do printf "%s\\n" "$word"; done > {own_folders}/shown\n')
    tool.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tool.parent}:/bin:/usr/bin")
    monkeypatch.setattr("sys.platform", "linux")
    assert wxfly("watch", "Kelderness", "--once", "--notify")[0] == 0
    shown = (own_folders / "shown").read_text().splitlines()
    assert shown[:2] == ["--app-name=wxfly", "--"]
    assert "room to fly at" in shown[2]


def test_without_the_tool_of_the_desktop_it_says_so(wxfly, monkeypatch):
    monkeypatch.setenv("PATH", "/nowhere")
    monkeypatch.setattr("sys.platform", "linux")
    code, _, err = wxfly("watch", "Kelderness", "--once", "--notify")
    assert code == 1 and "--notify needs the program notify-send" in err


def test_a_day_and_the_week_are_not_both_watched(wxfly):
    code, _, err = wxfly("watch", "Kelderness", "sunday", "--week")
    assert code == 2 and "--week watches all coming days" in err
