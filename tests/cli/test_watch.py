import json
import threading
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest

from tests.server import Fault
from wxfly.cli.watch import LONGEST_SLEEP, Watching, Way
from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import config_folder, load_settings
from wxfly.sources.http import check_receiver, send
from wxfly.sources.open_meteo.models import MODELS
from wxfly.times import utc_now

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


def turns(out):
    """Return the turns in the lines of JSON."""
    return [change["turn"] for line in out.splitlines() for change in json.loads(line)["changes"]]


def test_a_change_ends_with_its_code_and_is_sent(wxfly, server, clock, receiver):
    asked = ("watch", PLACE, *LIMITS, "--once", "--json", "--webhook", receiver.url)
    server.always["forecast"] = dry(1)
    code, out, err = wxfly(*asked)
    assert code == 0, err
    assert json.loads(out)["changes"] == []
    assert wxfly(*asked)[:2] == (0, "")
    clock(hours=6)
    server.always["forecast"] = dry(5)
    code, out, _ = wxfly(*asked)
    assert code == 20
    assert turns(out) == ["gone"]
    assert json.loads(receiver.kept[-1]) == json.loads(out)
    assert wxfly(*asked)[:2] == (0, "") and len(receiver.kept) == 2


def test_a_way_that_fails_keeps_no_other_from_telling_and_tells_again(wxfly, server, clock, receiver):
    asked = ("watch", PLACE, *LIMITS, "--once", "--json", "--webhook", receiver.url)
    server.always["forecast"] = dry(1)
    assert wxfly(*asked)[0] == 0
    asked_before = len(server.asked("forecast"))
    clock(hours=6)
    server.always["forecast"] = dry(5)
    receiver.statuses += [500, 500]
    code, out, err = wxfly(*asked)
    told, fault = map(json.loads, out.splitlines())
    assert code == 1 and told["changes"][0]["turn"] == "gone"
    assert "127.0.0.1 did not take what the watch tells (status 500)" in err
    assert "status 500" in fault["fault"] and fault["changes"] == []
    assert "secret" not in err + out
    code, out, _ = wxfly(*asked)
    assert code == 1 and "status 500" in json.loads(out)["fault"] and turns(out) == []
    code, out, _ = wxfly(*asked)
    assert (code, out) == (20, "") and turns(receiver.kept[-1].decode())[0] == "gone"
    assert wxfly(*asked)[:2] == (0, "")
    assert len(server.asked("forecast")) == asked_before + 1


def test_a_bell_that_fails_rings_again(wxfly, server, clock, own_folders, monkeypatch):
    tool = own_folders / "notify-send"
    monkeypatch.setenv("PATH", f"{own_folders}:/bin:/usr/bin")
    monkeypatch.setattr("sys.platform", "linux")

    def bell(ends):
        tool.write_text(f'#!/bin/sh\nprintf "%s\\n" "$3 $4" >> {own_folders}/shown\nexit {ends}\n')
        tool.chmod(0o755)

    asked = ("watch", PLACE, *LIMITS, "--once", "--notify")
    server.always["forecast"] = dry(1)
    bell(0)
    assert wxfly(*asked)[0] == 0
    clock(hours=6)
    server.always["forecast"] = dry(5)
    bell(1)
    code, out, err = wxfly(*asked)
    assert code == 1 and "no room any more" in out
    assert "the notification could not be shown (CalledProcessError)" in err
    bell(0)
    shown = (own_folders / "shown").read_text()
    code, out, _ = wxfly(*asked)
    assert (code, out) == (20, "")
    assert "no room any more" in (own_folders / "shown").read_text().removeprefix(shown)
    assert wxfly(*asked)[:2] == (0, "")


def test_an_error_stands_in_the_json_and_the_loss_is_told_everywhere_once(wxfly, server, clock, receiver):
    asked = ("watch", PLACE, *LIMITS, "--once", "--json", "--webhook", receiver.url)
    server.down = {"ncep_gfs_global": "refused"}
    code, out, err = wxfly(*asked)
    assert code == 1 and "refused" in err
    first = json.loads(out)
    assert "refused" in first["fault"] and first["changes"] == [] and first["told"] is None
    server.down = {}
    server.always["forecast"] = dry(1)
    assert wxfly(*asked)[0] == 0
    server.always.clear()
    server.down = {"ncep_gfs_global": "refused"}
    for path in (config_folder().parent / "cache").rglob("*"):
        if path.is_file():
            path.unlink()
    clock(hours=6)
    code, out, err = wxfly(*asked)
    assert code == 1 and "refused" in err
    lost = json.loads(out)
    assert turns(out) == ["not known"] and "refused" in lost["fault"] and "NOT KNOWN" in lost["first_line"]
    assert json.loads(receiver.kept[-1])["changes"] == lost["changes"]
    sent = len(receiver.kept)
    code, out, _ = wxfly(*asked)
    assert code == 1 and turns(out) == [] and "refused" in json.loads(out)["fault"]
    assert len(receiver.kept) == sent
    server.down = {}
    server.always["forecast"] = dry(1)
    code, out, _ = wxfly(*asked)
    assert code == 20 and turns(out)[-1] == "known"


def test_a_mistake_stands_in_the_json_too(wxfly):
    code, out, err = wxfly("watch", "nowhere-at-all", "--once", "--json", "--offline")
    assert code == 1 and json.loads(out)["fault"] in err.replace("Error: ", "").strip() + "\n"


def test_a_watch_of_another_model_is_another_watch(wxfly, server, clock):
    asked = ("watch", PLACE, *LIMITS, "--once", "--json")
    assert json.loads(wxfly(*asked)[1])["since"] is None
    assert json.loads(wxfly(*asked, "--model", "icon_eu")[1])["since"] is None
    assert wxfly(*asked)[:2] == wxfly(*asked, "--model", "icon_eu")[:2] == (0, "")


def test_it_looks_as_runs_come_and_outlives_a_failure(server, clock):
    from wxfly.cli import watch as module

    told, slept, asked = [], [], Words(days=2)
    way = Way("test", told.append)
    looks = []

    def ask():
        looks.append(utc_now())
        return module.ask_again("week", [PLACE], asked)

    watching = Watching(ask, [way], None)
    server.always["forecast"] = dry(1)

    def sleep(seconds):
        slept.append(seconds)
        clock(**({"minutes": 1} if len(slept) == 1 else {"hours": 6}))  # as on a machine that was asleep
        if len(slept) == 2:
            server.always.clear()
            server.down = {"ncep_gfs_global": "refused"}
        if len(slept) == 12:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        watching.go_on(sleep)
    assert max(slept) <= LONGEST_SLEEP
    said = [change.turn for facts in told for change in facts.changes]
    assert "doubt" in said and "not known" in said
    assert len(looks) == len(slept) - 1  # none after the first minute


@pytest.mark.thorough
@pytest.mark.parametrize("words", [(), ("--week",)])
def test_three_days_of_looks_ask_no_more_often_than_runs_come(wxfly, server, clock, words):
    """An hourly schedule over three days: the forecast, its cells and Kp are asked for once a run."""
    server.always["forecast"] = dry(1)
    model, hours = MODELS["ncep_gfs_global"], 72
    for _ in range(hours):
        assert wxfly("watch", PLACE, *LIMITS, *words, "--once")[0] in (0, 20)
        clock(hours=1)
    most, asked = hours // model.interval_hours + 1, ("forecast", "cells", "kp")
    assert {service: len(server.asked(service)) for service in asked} == dict.fromkeys(asked, most)
    assert len(server.asked("metadata")) == most * len(model.domains)


@pytest.mark.parametrize("day", [pytest.param("2026-03-11", marks=pytest.mark.thorough), "wednesday"])
def test_the_watch_of_a_day_ends_with_it(server, clock, capsys, day):
    from wxfly.cli import watch as module
    from wxfly.cli.program import start_logging, stop_logging

    told, words = [], Words(day=day)
    server.always["forecast"] = dry(1)
    ways = [Way("test", told.append)]
    watching = Watching(lambda: module.ask_again("best", [PLACE], words), ways, None, is_of_one_day=True)
    start_logging(as_json=False)
    try:
        watching.go_on(lambda seconds: clock(hours=5))
    finally:
        stop_logging()
    assert "the day is over: the watch has ended" in capsys.readouterr().err
    assert [change.turn for facts in told for change in facts.changes] == []


def weather(wind=1.0, *, gusty=(), lost=(), rain=()):
    """Return what makes the played weather dry, with these winds; gusts and rain come between two stamps of hours."""

    def change(body):
        reply = json.loads(body)
        times = [datetime.fromtimestamp(t, UTC).isoformat()[:13] for t in reply["hourly"]["time"]]

        def during(spans):
            return [any(first <= time < last for first, last in spans) for time in times]

        for name, values in reply["hourly"].items():
            if name.startswith(("precipitation", "weather_code", "cloud_cover", "cape")):
                values = [0] * len(values)
            if name.startswith(("wind_speed", "wind_gusts")):
                values = [None if v is None else wind * v for v in values]
            if name.startswith("wind_gusts"):
                values = [6 * v if storm else v for v, storm in zip(values, during(gusty), strict=True)]
            if name == "precipitation":
                values = [3 if wet else 0 for wet in during(rain)]
            if name == "weather_code":
                values = [63 if wet else 0 for wet in during(rain)]
            if name.startswith(tuple(lost)):
                values = [None] * len(values)
            reply["hourly"][name] = values
        return json.dumps(reply).encode()

    return Fault(change=change)


# By the hour from which a run has it: the weather, None where the service refuses.
THREE_DAYS = {
    0: weather(),
    10: weather(gusty=[("2026-03-11T09", "2026-03-11T13")]),  # known from the look at 22 h UTC on
    16: weather(2.0),
    28: weather(2.0, lost=("visibility",)),
    40: weather(2.0),
    46: None,
    52: weather(2.0),
    58: weather(2.0, rain=[("2026-03-13T05", "2026-03-13T19")]),
    64: weather(2.0, lost=("wind_gusts",)),
}


@pytest.mark.thorough
def test_three_days_of_a_pilot(wxfly, server, clock):
    """Each fall, each loss and each doubt is told at the first look after its run, and nothing else."""
    told = {}
    for hour in range(72):
        if hour in THREE_DAYS:
            server.always.pop("forecast", None)
            server.down = {} if THREE_DAYS[hour] else {"ncep_gfs_global": "refused"}
            if THREE_DAYS[hour]:
                server.always["forecast"] = THREE_DAYS[hour]
        code, out, err = wxfly("watch", PLACE, *LIMITS, "--once", "--json")
        assert (code == 20) == bool(turns(out)), err
        if turns(out):
            told[hour] = [(change["turn"], change["words"]) for change in json.loads(out)["changes"]]
        clock(hours=1)
    assert {hour: [turn for turn, _ in lines] for hour, lines in told.items()} == {
        10: ["shorter", "opened"],
        16: ["gone", "gone", "opened"],
        28: ["not known", "gone"],
        40: ["known", "opened", "opened"],
        46: ["doubt", "doubt", "doubt"],
        58: ["gone"],
        64: ["not known"],
    }
    words = {hour: [text for _, text in lines] for hour, lines in told.items()}
    assert words[10][0] == "Wed 11 Mar 14:00–19:03 CET now, not Wed 11 Mar 06:23–19:03 CET"
    assert words[16][2].startswith("Thu 12 Mar 06:21–19:05 CET: room, ")
    assert words[28][1] == "Thu 12 Mar 06:21–19:05 CET: not known any more whether there is room"
    assert any(text.startswith("no newer forecast is available") for text in words[46])
    assert words[58] == ["Fri 13 Mar 06:19–19:07 CET: no room any more"]
    assert words[64] == ["Fri 13 Mar 06:19 to Sat 14 Mar 19:08 CET: not known any more: gust"]


@pytest.mark.parametrize("hour", [22, 23])
def test_a_window_of_tomorrow_is_the_same_after_midnight(wxfly, server, clock, hour):
    """At the site the day changes at 23 h UTC: a window told before is watched on, and its loss is told."""
    server.always["forecast"] = weather()
    asked = ("watch", PLACE, *LIMITS, "--once", "--json")
    assert json.loads(wxfly(*asked)[1])["since"] is None
    clock(hours=hour - 12)
    out = wxfly(*asked)[1]
    assert all(json.loads(line)["since"] is not None for line in out.splitlines())
    assert set(turns(out)) <= {"opened"}  # the new day's window
    server.always["forecast"] = weather(5.0)
    clock(hours=6)
    out = wxfly(*asked)[1]
    assert "gone" in turns(out) and "Wed 11 Mar" in json.loads(out)["changes"][0]["words"]


def test_a_zone_that_comes_into_force_is_told_once_and_by_name(wxfly, server, clock, own_folders):
    file = own_folders / "zones.json"

    def zones(*names):
        shape = {"type": "Point", "coordinates": [6.84, 52.31], "extent": {"radius": 900}}
        features = [
            {"type": "Feature", "properties": {"name": name, "type": "PROHIBITED"}, "geometry": shape}
            for name in names
        ]  # fmt: skip
        file.write_text(json.dumps({"type": "FeatureCollection", "features": features}))

    server.always["forecast"] = weather()
    asked = ("watch", PLACE, *LIMITS, "--once", "--json", "--zones", str(file))
    zones("Range")
    assert wxfly(*asked)[0] == 0
    clock(hours=6)
    zones("Range", "Tower")
    code, out, _ = wxfly(*asked)
    assert code == 20 and set(turns(out)) == {"zone"}
    assert all("in the zone Tower (prohibited)" in c["words"] for c in json.loads(out)["changes"])
    assert not any("Range" in c["words"] for c in json.loads(out)["changes"])
    clock(hours=4)
    assert wxfly(*asked)[:2] == (0, "")


def test_quiet_hours_keep_what_changed_until_they_are_over(wxfly, server, clock):
    asked = ("watch", PLACE, *LIMITS, "--once", "--json", "--quiet-hours", "22-6")
    server.always["forecast"] = weather()
    assert wxfly(*asked)[0] == 0
    clock(hours=10)  # 23 h at the site
    server.always["forecast"] = weather(5.0)
    told, requests = {}, len(server.asked("forecast"))
    for hour in range(8):
        out = wxfly(*asked)[1]
        told |= {hour: turns(out)} if turns(out) else {}
        clock(hours=1)
    assert list(told) == [7] and "gone" in told[7]
    assert len(server.asked("forecast")) - requests <= 2


def test_a_first_look_that_fails_ends_it():
    def fails():
        raise WxflyError("no such place")

    with pytest.raises(WxflyError, match="no such place"):
        Watching(fails, [], None).go_on(lambda _: None)


@pytest.mark.parametrize("url", ["http://example.org/x", "ftp://localhost/x", "file:///etc/passwd", "example.org", ""])
def test_it_sends_nowhere_in_the_clear(url):
    with pytest.raises(WxflyError, match="; wanted https://… or http://localhost"):
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
