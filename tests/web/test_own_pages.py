"""Places, plans, aircraft and settings in forms: what they keep is what the commands keep, with the same checks."""

import re

import pytest

from wxfly.pilot.aircraft import find_aircraft
from wxfly.pilot.settings import load_settings, own_aircraft_file, plans_file, read_plans, sites_file
from wxfly.pilot.site import read_sites

QUAD = {
    "title": "my quad", "kind": "multirotor", "maximum_wind": "8 m/s", "maximum_gust": "10 m/s",
    "minimum_temperature": "0 degC", "maximum_temperature": "40 degC", "maximum_precipitation": "0 mm/h",
}  # fmt: skip


@pytest.fixture
def post(client):
    def send(address, **data):
        form = client.get(address.partition("?")[0] if "remove" not in address else address).text
        token = re.search(r'name="csrf" value="([0-9a-f]+)"', form)[1]
        return client.post(address.partition("?")[0], data={**data, "csrf": token})

    return send


def fault_of(reply):
    return re.search(r'role="alert">(.*?)</p>', reply.text, re.DOTALL)[1]


@pytest.fixture
def places_alone(monkeypatch):
    """Let a place be saved without the service that knows the ground."""
    from wxfly.retrieval import places

    monkeypatch.setattr(places, "_asked_before", lambda *_: 12.0)


def test_a_place_is_added_given_defaults_and_removed_after_a_question(post, client, places_alone):
    assert post("/places", name="meadow", at="52.1,6.9", surface_cover="open").status_code == 303
    site = read_sites(sites_file())["meadow"]
    assert (site.latitude, site.surface_cover) == (52.1, "open")
    assert post("/places", name="meadow", defaults="true", height="80").status_code == 303
    assert read_sites(sites_file())["meadow"].defaults.height == "80m"
    assert 'value="80m"' in client.get("/places?name=meadow").text
    assert post("/places", name="meadow", defaults="true", duration="1h").status_code == 303
    kept = read_sites(sites_file())["meadow"].defaults
    assert (kept.height, kept.duration) == (None, "1h")
    assert "cannot be undone" in client.get("/places/remove?name=meadow").text
    assert "meadow" in read_sites(sites_file())
    assert post("/places/remove?name=meadow", name="meadow").status_code == 303
    assert "meadow" not in read_sites(sites_file())


@pytest.mark.parametrize(
    ("address", "data", "words"),
    [
        ("/places", {"name": "meadow", "at": "152.1,6.9"}, "latitude"),
        ("/places", {"name": "meadow"}, "a place are wanted"),
        ("/places", {"name": "meadow", "at": "52.1,6.9", "surface_cover": "opne"}, "did you mean"),
        ("/plans", {"name": "roof", "height": "600m"}, "600"),
        ("/plans", {"name": "roof", "aircraft": "camera-quad-250"}, "did you mean"),
        ("/aircraft", {**QUAD, "name": "mine", "maximum_wind": "8"}, "Maximum wind: 8 needs its unit, one of"),
        ("/aircraft", {"name": "mine", "title": "x"}, "has no"),
        ("/settings", {"units": "metrc"}, "did you mean"),
        ("/settings", {"hight": "60m"}, "did you mean"),
    ],
)
def test_a_mistake_is_told_in_one_line_and_nothing_is_kept(post, own_folders, places_alone, address, data, words):
    reply = post(address, **data)
    assert reply.status_code == 400
    assert words in fault_of(reply).replace("&#39;", "'") and str(own_folders) not in reply.text
    folder = own_folders / "config"
    assert not folder.exists() or not [one for one in folder.iterdir() if one.suffix == ".toml" and one.read_text()]
    for value in [value for key, value in data.items() if key in ("name", "maximum_gust", "title")]:
        assert f'value="{value}"' in reply.text


def test_a_plan_is_added_changed_and_removed(post, client):
    assert post("/plans", name="roof", height="60", limit="gust=8m/s,wind=6m/s").status_code == 303
    plan = read_plans(plans_file())["roof"]
    assert (plan.height, plan.limits) == ("60m", ("gust=8m/s", "wind=6m/s"))
    assert post("/plans", name="roof", height="70m").status_code == 400
    assert post("/plans", name="roof", replaces="true", height="70m").status_code == 303
    assert read_plans(plans_file())["roof"].height == "70m"
    assert 'value="70m"' in client.get("/plans?name=roof").text
    assert post("/plans/remove?name=roof", name="roof").status_code == 303
    assert not read_plans(plans_file())
    assert post("/plans/remove?name=roof", name="roof").status_code == 400


def test_an_aircraft_keeps_comments_and_sources(post, client, own_folders):
    assert post("/aircraft", name="mine", **QUAD).status_code == 303
    path = own_aircraft_file()
    text = path.read_text().replace('maximum_gust = "10 m/s"', 'maximum_gust = { value = "10 m/s", source = "page 3" }')
    path.write_text(f"# noted by hand\n{text}")
    assert 'value="10 m/s"' in client.get("/aircraft?name=mine").text
    assert post("/aircraft", name="mine", **{**QUAD, "maximum_wind": "7 m/s"}).status_code == 303
    mine = find_aircraft("mine", path)
    assert (mine.maximum_wind, mine.sources["maximum_gust"]) == (7.0, "page 3")
    assert path.read_text().startswith("# noted by hand")
    assert post("/aircraft/remove?name=mine", name="mine").status_code == 303
    assert "mine" not in path.read_text()


def test_settings_are_changed_and_taken_out(post, client):
    assert post("/settings", height="80", units="imperial").status_code == 303
    assert load_settings().usual.height == "80ft"
    assert post("/settings", units="imperial").status_code == 303
    assert load_settings().usual.height is None
    assert "sources." not in client.get("/settings").text


def test_a_damaged_file_is_told_and_does_not_stop_the_page(client, own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "plans.toml").write_text("[roof\nheight = 3\n")
    reply = client.get("/plans")
    assert reply.status_code == 200 and "plans.toml" in reply.text and str(own_folders) not in reply.text
    (own_folders / "config" / "aircraft.toml").write_text("[roof\nheight = 3\n")
    page = client.get("/aircraft").text
    assert "aircraft.toml" in page and str(own_folders) not in page


def test_the_start_says_that_saved_places_cannot_be_read(client, own_folders):
    """Else the places of the demonstration would stand there without a word."""
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text('[meadow]\nlatitude = "52"\nlongitude = 6.0\n')
    page = client.get("/").text
    assert page.index("sites.toml") < page.index("Tomorrow at your places")
    assert "[meadow]" in page and "set aside" in page and str(own_folders) not in page


def imported(client, text, **rest):
    token = re.search(r'name="csrf" value="([0-9a-f]+)"', client.get("/settings/import").text)[1]
    return client.post("/settings/import", data={"text": text, "csrf": token, **rest})


def test_own_things_go_to_another_machine_after_a_look(post, client, places_alone, monkeypatch, tmp_path):
    post("/places", name="meadow", at="52.1,6.9", surface_cover="open")
    post("/plans", name="roof", height="40m")
    post("/aircraft", name="mine", **QUAD)
    post("/settings", height="70m")
    reply = client.get("/settings/export")
    assert 'filename="wxfly-own.json"' in reply.headers["content-disposition"]
    monkeypatch.setenv("WXFLY_CONFIG", str(tmp_path / "other"))
    post("/places", name="meadow", at="50.0,5.0", surface_cover="open")
    post("/places", name="heath", at="51.0,5.0", surface_cover="open")
    shown = imported(client, reply.text).text
    for line in (
        "places: meadow, takes the place of yours",
        "plans: roof, new",
        "aircraft: mine, new",
        "height = 70m, new",
    ):
        assert line in shown
    assert read_sites(sites_file())["meadow"].latitude == 50.0
    assert imported(client, reply.text, yes="1").status_code == 303
    sites = read_sites(sites_file())
    assert (sites["meadow"].latitude, sites["heath"].latitude) == (52.1, 51.0)
    assert read_plans(plans_file())["roof"].height == "40m"
    assert find_aircraft("mine", own_aircraft_file()).title == "my quad"
    assert load_settings().usual.height == "70m"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hello", "no file of own things"),
        ("[1]", "no file of own things"),
        ('{"wxfly": 2}', "of version 1"),
        ('{"wxfly": 1, "../evil": ""}', "is no part of"),
        ('{"wxfly": 1, "settings": {"sources.forecast": "https://example.org"}}', "is not taken from a page"),
        ('{"wxfly": 1, "settings": {"zones": "/etc/passwd"}}', "is not taken from a page"),
        ('{"wxfly": 1, "places": "[meadow]\\nlatitude = 152.0\\nlongitude = 6.0"}', "latitude"),
        ('{"wxfly": 1, "plans": "[roof]\\nzones = \\"/etc/passwd\\""}', "which no page may"),
        ('{"wxfly": 1, "plans": "[roof"}', "plans"),
        ('{"wxfly": 1, "aircraft": 7}', "cannot be read"),
    ],
)
def test_what_cannot_be_taken_over_is_one_line_and_keeps_nothing(client, own_folders, text, words):
    for rest in ({}, {"yes": "1"}):
        reply = imported(client, text, **rest)
        assert reply.status_code == 400
        assert words in fault_of(reply)
    assert not list((own_folders / "config").glob("*.toml"))
