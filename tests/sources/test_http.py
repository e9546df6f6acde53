"""Requests: limits, retries, hosts and words, over a real socket."""

import gzip
import json
import logging
import threading
import time
import zlib
from itertools import accumulate, pairwise

import pytest

from tests.halves import spread
from tests.server import Fault
from wxfly import __version__
from wxfly.errors import WxflyError
from wxfly.pilot.settings import load_settings
from wxfly.sources.http import AT_ONCE, download, tally, together
from wxfly.sources.reply import Reply, parse_json, reason_of

WHAT = "heights for 52.30, 6.80"


def ask(server, **more):
    settings = load_settings()
    parameters = {"latitude": "52.3", "longitude": "6.8"}
    return download(
        settings.addresses["elevation"],
        parameters,
        lambda r: parse_json(r.body, WHAT),
        settings=settings,
        what=WHAT,
        **more,
    )


def refused(words, reason=None, status=400):
    return Fault(status=status, body=json.dumps({"error": True, "reason": words}).encode())


def test_who_asks_is_said(server):
    assert ask(server) == {"elevation": [20.0]}
    sent = server.log[0].headers
    assert sent["user-agent"] == f"wxfly/{__version__} (forecast client for small multirotors)"
    assert sent["accept-encoding"] == "gzip"


def test_the_contact_of_the_settings_is_sent(server, own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "config.toml").write_text('contact = "pilot@example.org"\n')
    ask(server)
    assert server.log[0].headers["user-agent"] == f"wxfly/{__version__} (pilot@example.org)"


PASSING = {
    "503": refused("The service is overloaded", status=503),
    "502 with a page": Fault(status=502, body=b"<html>Bad gateway</html>", headers={"Content-Type": "text/html"}),
    "500": refused("Something went wrong.", status=500),
    "429 concurrent": refused("Too many concurrent requests", status=429),
    "429 with a wait": Fault(status=429, body=b"{}", headers={"Retry-After": "1"}),
    "dropped": Fault(drop=True),
    "cut short": Fault(cut=5),
    "half of the JSON": Fault(change=lambda body: body[:-4]),
    "error in the stream": Fault(body=b'{"elevation":[2Unexpected error while streaming data: timeout'),
    "page with status 200": Fault(body=b"<html>Sign in</html>", headers={"Content-Type": "text/html"}),
    "empty": Fault(body=b""),
    "damaged gzip": Fault(body=b"\x1f\x8b\x08\x00garbage!", headers={"Content-Encoding": "gzip"}),
    "gzip cut short": Fault(
        body=gzip.compress(b'{"elevation":[20.0]}' + b" " * 999)[:-9],
        headers={"Content-Encoding": "gzip"},
    ),
}


@pytest.mark.parametrize("name", spread(PASSING, 3))
def test_a_passing_fault_is_tried_again(server, name):
    server.once["elevation"] = [PASSING[name]]
    assert ask(server) == {"elevation": [20.0]}
    assert len(server.log) == 2


@pytest.mark.parametrize("name", spread(PASSING, 3))
def test_a_lasting_one_ends_in_one_line_within_patience(server, name, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "0.6")
    server.always["elevation"] = PASSING[name]
    started = time.monotonic()
    with pytest.raises(WxflyError) as caught:
        ask(server)
    assert time.monotonic() - started < 10
    message = str(caught.value)
    assert message.startswith(f"{WHAT}: ")
    assert "\n" not in message


LASTING = {
    "bad request": (refused("Latitude must be in range of -90 to 90°. Given: 522.2."), "must be in range"),
    "no data here": (refused("No data is available for this location"), "No data is available for this location"),
    "too heavy": (refused("Your API call requests too much data."), "requests too much data"),
    "daily limit": (
        refused("Daily API request limit exceeded. Please try again tomorrow.", status=429), "try again tomorrow"
    ),
    "hourly limit": (
        refused("Hourly API request limit exceeded. Please try again in the next hour.", status=429),
        "in the next hour",
    ),
    "not found": (Fault(status=404, body=b"nothing"), r"refused \(status 404\)"),
    "forbidden": (Fault(status=403, body=b""), r"refuses us \(status 403\)"),
    "not asked for packing": (Fault(body=b"x", headers={"Content-Encoding": "br"}), "packed as 'br'"),
    "not modified": (Fault(status=304, body=b""), "status 304"),
    "words of any length": (refused("long " * 500), "refused"),
}  # fmt: skip


@pytest.mark.parametrize("name", LASTING)
def test_a_lasting_fault_is_not_tried_again(server, name):
    fault, words = LASTING[name]
    server.always["elevation"] = fault
    with pytest.raises(WxflyError, match=words) as caught:
        ask(server)
    assert len(server.log) == 1
    assert len(str(caught.value)) < 300


def test_a_minute_limit_is_waited_for_only_within_patience(server, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "0.9")
    server.always["elevation"] = refused(
        "Minutely API request limit exceeded. Please try again in one minute.", status=429
    )
    monkeypatch.setattr("wxfly.sources.http.time.time", lambda: 1_000_000_020.0)  # 20 s into a minute
    started = time.monotonic()
    with pytest.raises(WxflyError, match="too many requests in this minute; try again in a minute"):
        ask(server)
    assert time.monotonic() - started < 10
    assert len(server.log) == 1


def test_a_body_that_drips_is_given_up(server, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "0.6")
    server.always["elevation"] = Fault(drip=0.1)
    with pytest.raises(WxflyError, match=r"did not end within|no answer in time"):
        ask(server)


def test_silence_is_given_up(server, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "0.5")
    server.always["elevation"] = Fault(delay=2)
    with pytest.raises(WxflyError, match="no answer in time"):
        ask(server)


def test_ten_megabytes_of_junk_are_refused(server):
    server.always["elevation"] = Fault(body=b"[" + b"1," * 5_000_000)
    with pytest.raises(WxflyError, match="larger than 8 MB"):
        ask(server)


def test_a_small_body_cannot_unpack_to_a_huge_one(server):
    packer = zlib.compressobj(9, wbits=31)
    bomb = b"".join(packer.compress(b" " * 1_000_000) for _ in range(60)) + packer.flush()
    assert len(bomb) < 400_000
    server.always["elevation"] = Fault(body=bomb, headers={"Content-Encoding": "gzip"})
    with pytest.raises(WxflyError, match="larger than 8 MB"):
        ask(server)


def test_a_redirect_to_a_configured_host_is_followed(server):
    there = f"{server.address}/v1/elevation?latitude=1&longitude=2"
    server.once["elevation"] = [Fault(status=301, body=b"", headers={"Location": there})]
    assert ask(server) == {"elevation": [20.0]}


@pytest.mark.parametrize("there", ["http://127.0.0.2:{port}/v1/elevation", "https://example.org/", "file:///etc/hosts"])
def test_a_redirect_elsewhere_is_refused(server, there):
    server.always["elevation"] = Fault(status=302, body=b"", headers={"Location": there.format(port=server.port)})
    with pytest.raises(WxflyError, match="not a configured source"):
        ask(server)
    assert len(server.log) == 1


def test_redirects_without_end_are_given_up(server):
    server.always["elevation"] = Fault(status=302, body=b"", headers={"Location": "/v1/elevation"})
    with pytest.raises(WxflyError, match="redirected too often"):
        ask(server)


def test_a_host_that_is_not_configured_is_never_contacted(server):
    settings = load_settings()
    with pytest.raises(WxflyError, match=r"refused to contact api\.example\.org"):
        download("https://api.example.org/x", {}, lambda r: r, settings=settings, what="test")


@pytest.mark.thorough
def test_what_the_service_said_outlives_a_last_try_that_came_too_late(server, monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "3")
    server.once["elevation"] = [refused("The service is overloaded", status=503)]
    server.always["elevation"] = Fault(delay=6)
    with pytest.raises(WxflyError, match=r"The service is overloaded\); try again later \(tried 2 times\)"):
        ask(server)


def test_nobody_there_is_said_with_the_way_out():
    with pytest.raises(WxflyError, match="cannot be reached; is there a connection\\? --offline"):
        ask(None)


def test_nobody_there_is_asked_twice_and_no_more(caplog):
    with caplog.at_level("INFO", "wxfly.sources.http"), pytest.raises(WxflyError, match="cannot be reached"):
        ask(None)
    assert sum("asking 127.0.0.1" in record.message for record in caplog.records) == 2


def test_one_request_at_a_time(server):
    server.always["elevation"] = Fault(delay=0.05)
    threads = [threading.Thread(target=ask, args=(server,)) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    times = sorted((a.started, a.ended) for a in server.log)
    assert len(times) == 5
    assert all(end <= start for (_, end), (start, _) in pairwise(times))


def test_the_log_tells_no_place_to_the_metre(server, caplog):
    caplog.set_level(logging.DEBUG)
    from wxfly.pilot.site import Site
    from wxfly.sources.open_meteo.forecast import get_forecast

    get_forecast([Site("heath", 52.34567, 6.81234)], "icon_eu", settings=load_settings())
    ours = " ".join(r.getMessage() for r in caplog.records if r.name.startswith(("wxfly", "httpx")))
    assert "52.35, 6.81" in ours
    assert "52.3457" not in ours


def test_an_unwritable_cache_folder_is_said(server, own_folders, monkeypatch):
    blocked = own_folders / "a file"
    blocked.write_text("")
    monkeypatch.setenv("WXFLY_CACHE", str(blocked))
    with pytest.raises(WxflyError, match=r"cannot be written .*; set WXFLY_CACHE"):
        ask(server)


def test_the_services_words_are_made_safe_to_print():
    reason = "a\n\x1b[31mb" + "x" * 500
    clean = reason_of(Reply(400, {}, json.dumps({"reason": reason}).encode()))
    assert "\n" not in clean
    assert "\x1b" not in clean
    assert len(clean) <= 160
    for body in (b"[]", b"null", b'{"reason":5}', b"\xff", b"[" * 100_000):
        assert reason_of(Reply(400, {}, body)) == ""


# --- together --------------------------------------------------------------------------------------------------


def test_requests_of_one_answer_go_out_together_and_no_more_than_the_service_holds(server):
    server.always["elevation"] = Fault(delay=0.3)
    with together() as group:
        futures = [group.start(lambda: ask(server, weight=1.0)) for _ in range(AT_ONCE + 2)]
        assert all(future.result() == {"elevation": [20.0]} for future in futures)
    edges = sorted([(a.started, 1) for a in server.log] + [(a.ended, -1) for a in server.log])
    at_once = max(accumulate(step for _, step in edges))
    assert 1 < at_once <= AT_ONCE


def test_a_counted_request_may_wait_for_one_that_is_not_counted(server):
    def both():
        with together() as inner:
            free = inner.start(lambda: ask(server))
            return download(
                load_settings().addresses["elevation"], {"latitude": "52.3", "longitude": "6.8"},
                lambda _: free.result(), settings=load_settings(), what=WHAT, weight=1.0,
            )  # fmt: skip

    with together() as group:
        futures = [group.start(both) for _ in range(AT_ONCE)]
        assert all(future.result() == {"elevation": [20.0]} for future in futures)


def test_a_fault_in_a_group_is_told_to_who_asks_for_the_result(server):
    server.always["elevation"] = refused("out of order")
    with together() as group:
        future = group.start(lambda: ask(server))
        with pytest.raises(WxflyError, match="out of order"):
            future.result()
    server.always.clear()
    assert ask(server) == {"elevation": [20.0]}, "the service is free again"


def test_every_try_is_counted(server):
    before = tally()
    server.once["elevation"] = [refused("The service is overloaded", status=503)]
    ask(server, weight=2.5)
    cost = tally().since(before)
    assert (cost.requests, cost.weight) == (2, pytest.approx(5.0))
    assert cost.size > 20
