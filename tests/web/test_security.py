"""Each attack that a page of another site, a stranger in the network or a long address may try, with its refusal."""

import re

import pytest

from tests.web.conftest import BASE, client_of
from wxfly.web.app import make_app
from wxfly.web.security import LARGEST_BODY, POLICY, Door, is_loopback

FORM = {"content-type": "application/x-www-form-urlencoded"}


def token_of(client, address="/plans"):
    return re.search(r'name="csrf" value="([0-9a-f]+)"', client.get(address).text)[1]


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8017", "127.0.0.1.evil.example", "", "192.0.2.7"])
def test_a_name_that_others_own_is_no_name_of_ours(client, host):
    assert client.get("/places", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["127.0.0.1:8017", "localhost", "[::1]:8017"])
def test_our_own_names_are_answered(client, host):
    assert client.get("/manifest.webmanifest", headers={"host": host}).status_code == 200


def test_beyond_loopback_an_address_is_answered_and_a_strange_name_is_not(guarded):
    headers = {"authorization": "Bearer the-token"}
    assert guarded.get("/places", headers=headers).status_code == 200
    assert guarded.get("/places", headers={**headers, "host": "evil.example"}).status_code == 421


def test_a_form_from_another_origin_is_refused_with_the_right_token_even(client):
    data = {"name": "roof", "height": "60m", "csrf": token_of(client)}
    for headers in ({"origin": "http://evil.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:9"},
                    {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}):  # fmt: skip
        assert client.post("/plans", data=data, headers=headers).status_code == 403
    assert client.post("/plans", data=data, headers={"origin": BASE}).status_code == 303


@pytest.mark.parametrize("token", ["", "0" * 64, "é"])
def test_a_form_without_its_token_changes_nothing_and_loses_nothing(client, token, own_folders):
    token_of(client)
    reply = client.post("/plans", data={"name": "roof", "height": "61m", "csrf": token})
    assert reply.status_code == 403
    assert 'value="roof"' in reply.text and 'value="61m"' in reply.text
    assert not (own_folders / "config" / "plans.toml").exists()


def test_the_token_of_another_session_is_wrong(client, app):
    theirs = token_of(client_of(app))
    token_of(client)
    assert client.post("/plans", data={"name": "roof", "height": "61m", "csrf": theirs}).status_code == 403


def test_a_request_that_is_no_form_is_refused(client):
    assert client.post("/plans", json={"name": "roof"}).status_code == 415


@pytest.mark.parametrize(
    ("method", "address", "allowed"),
    [
        ("DELETE", "/places", "GET, HEAD, POST"), ("OPTIONS", "/places", "GET, HEAD, POST"),
        ("TRACE", "/api/v1/sites", "GET, HEAD"), ("POST", "/api/v1/best", "GET, HEAD"), ("POST", "/best", "GET, HEAD"),
    ],
)  # fmt: skip
def test_a_method_that_is_not_answered_is_told_which_are(client, method, address, allowed):
    reply = client.request(method, address, headers=FORM)
    assert reply.status_code == 405
    assert sorted(reply.headers["allow"].split(", ")) == sorted(allowed.split(", "))


def test_what_only_changes_is_not_answered_to_a_look(client):
    reply = client.get("/break-off")
    assert reply.status_code == 405 and "asked with POST" in reply.text


def test_a_subresource_of_another_site_asks_no_service(client):
    headers = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert client.get("/best", headers=headers).status_code == 403
    headers["sec-fetch-mode"] = "navigate"  # a link that someone sent
    assert client.get("/plans", headers=headers).status_code == 200


def test_the_policy_allows_no_inline_script_and_no_other_host(client):
    for address in ("/plans", "/nowhere", "/best?plan=none", "/api/v1/sites", "/static/0/x"):
        assert client.get(address).headers["content-security-policy"] == POLICY
    assert "unsafe" not in POLICY and "http" not in POLICY
    for address in ("/plans", "/check"):
        page = client.get(address).text
        assert not re.search(r"<script(?![^>]*\bsrc=)(?![^>]*application/json)|\son\w+=|\sstyle=|<style", page)


@pytest.mark.parametrize(
    "path",
    ["/static/0/../../app.py", "/static/..%2f..%2fapp.py/x", "/static/%2e%2e/plotly.js", "/static/0/plotly.js",
     "/static//etc/passwd", "/..%2f..%2fetc%2fpasswd"],
)  # fmt: skip
def test_no_path_leads_to_a_file_that_is_not_listed(client, path):
    assert client.get(path).status_code == 404


def test_no_address_names_a_file_or_a_service(client):
    for query in ("forecast=/etc/passwd", "forecast_path=/etc/passwd", "zones=/etc/passwd"):
        reply = client.get(f"/api/v1/best?{query}")
        assert reply.status_code == 400 and "is not known" in reply.json()["error"]
    token = token_of(client, "/settings")
    for key, value in {"sources.forecast": "http://evil.example", "zones": "/etc/passwd"}.items():
        assert client.post("/settings", data={key: value, "csrf": token}).status_code == 400
    token = token_of(client)
    for key in ("forecast", "zones"):
        assert client.post("/plans", data={"name": "x", key: "/etc/passwd", "csrf": token}).status_code == 400


def test_what_is_typed_comes_back_as_text(client):
    attack = '"><script>alert(1)</script>'
    for address in ("/best", "/api/v1/best", "/places", "/"):
        reply = client.get(address, params={"place": attack, "plan": attack, "name": attack, "done": attack})
        assert "<script>alert" not in reply.text or reply.headers["content-type"] == "application/json"


def test_an_own_name_with_markup_stays_text_on_every_page(client, monkeypatch):
    monkeypatch.setattr("wxfly.web.app.known_places", lambda: [])  # their answers are not the point
    name = "<img src=x onerror=alert(1)>&'\""
    data = {"name": name, "height": "60m", "csrf": token_of(client)}
    assert client.post("/plans", data=data).status_code == 303
    for address in ("/", "/plans", "/check", "/plans/remove?name=%3Cimg%3E"):
        assert "<img" not in client.get(address).text


def test_too_long_and_too_large_is_not_read(client):
    assert client.get(f"/best?place={'x' * 9000}").status_code == 414
    assert client.get(f"/api/v1/best?place={'x' * 500}").status_code == 400
    assert client.get("/api/v1/best?" + "&".join(["limit=gust%3D8m/s"] * 200)).status_code == 400
    assert client.post("/plans", content=b"a=" + b"x" * LARGEST_BODY, headers=FORM).status_code == 413


def test_one_client_may_not_ask_without_end(client, monkeypatch, app):
    monkeypatch.setattr(app.app.state.server.allowance, "each_minute", 2)
    app.app.state.server.allowance._left.clear()
    codes = [client.get(f"/api/v1/best?place=Keldernes{i}").status_code for i in range(4)]
    assert codes == [400, 400, 429, 429]


def test_beyond_loopback_the_token_opens_once_and_is_kept(guarded):
    assert guarded.get("/places").status_code == 403
    assert guarded.get("/api/v1/sites").status_code == 403
    assert guarded.get("/places?token=wrong").status_code == 403
    reply = guarded.get("/places?token=the-token&name=x")
    assert (reply.status_code, reply.headers["location"]) == (303, "/places?name=x")
    cookie = reply.headers["set-cookie"]
    assert "HttpOnly" in cookie and "samesite=lax" in cookie.lower()
    assert guarded.get("/places").status_code == 200


def test_the_token_of_an_address_leads_to_no_other_host(guarded):
    reply = guarded.get("http://192.0.2.7:8017//evil.example/?token=the-token")
    assert reply.headers["location"].startswith("/") and not reply.headers["location"].startswith("//")


def test_tokens_are_not_guessed_one_after_the_other(guarded):
    codes = {guarded.get(f"/?token=guess{i}").status_code for i in range(25)}
    assert codes == {403, 429}


def test_a_server_for_others_has_a_token_and_one_for_this_machine_has_none():
    assert Door.of("127.0.0.1").token == Door.of("::1").token == Door.of("localhost").token == ""
    assert len(Door.of("0.0.0.0").token) > 20 and Door.of("0.0.0.0").token != Door.of("0.0.0.0").token
    assert not is_loopback("127.0.0.1.evil.example")


def test_a_fault_of_the_program_is_no_leak(monkeypatch):
    client = client_of(make_app(), raise_server_exceptions=False)
    monkeypatch.setattr("wxfly.web.own_pages.read_plans", lambda _: 1 / 0)
    reply = client.get("/plans")
    assert reply.status_code == 500
    assert "ZeroDivisionError" in reply.text and "Traceback" not in reply.text
    assert reply.headers["content-security-policy"] == POLICY
