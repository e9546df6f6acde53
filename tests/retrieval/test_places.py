"""From what a pilot writes to a site."""

import json
import math
from datetime import UTC, datetime

import pytest

from tests.server import Fault
from wxfly.errors import WxflyError
from wxfly.pilot.settings import plans_file
from wxfly.pilot.site import Site
from wxfly.retrieval.places import demo_sites, load_manifest, resolve_site, time_zone_at
from wxfly.store.replies import keep_reply, kept_reply

SAVED = {"heath": Site("heath", 52.3, 6.8, 31.0, "Europe/Amsterdam")}


def test_a_saved_name_goes_before_everything_and_nobody_is_asked():
    assert resolve_site("heath", saved=SAVED) == SAVED["heath"]
    assert resolve_site(" Heath ", saved=SAVED) == SAVED["heath"]
    first = load_manifest()["files"][0]["sites"][0]["name"]
    mine = {first: Site(first, 1.0, 2.0, 3.0, "Africa/Lagos")}
    assert not resolve_site(first, saved=mine).is_demo


def test_the_demonstrations_sites_are_known_and_marked():
    for name, site in demo_sites().items():
        assert resolve_site(name.upper(), saved={}) == site
        assert site.is_demo
        assert math.isfinite(site.surface_altitude)


def test_coordinates_get_ground_and_clock(server):
    site = resolve_site("52.31,6.84", saved={})
    assert site.surface_altitude == 20.0
    assert site.time_zone == "Europe/Amsterdam"
    resolve_site("52.31,6.84", saved={})
    assert [a.service for a in server.log] == ["elevation"], "the ground does not move: asked once"


def test_offline_the_ground_is_not_known_and_never_zero():
    site = resolve_site("52.31,6.84", saved={}, offline=True)
    assert math.isnan(site.surface_altitude)
    assert site.time_zone == "Europe/Amsterdam"


def test_a_ground_that_cannot_be_asked_for_is_not_known(server):
    from tests.server import Fault

    server.always["elevation"] = Fault(status=400, body=b'{"error":true,"reason":"no"}')
    assert math.isnan(resolve_site("52.31,6.84", saved={}).surface_altitude)


def test_off_the_earth_is_refused():
    with pytest.raises(WxflyError, match="outside -90 to 90"):
        resolve_site("95,6", saved={})


def test_a_place_name_is_looked_up_once(server):
    site = resolve_site("Oldermoor", saved={})
    assert site == Site("Oldermoor, Lowmark, Inventia", 52.31, 6.84, 31.0, "Europe/Amsterdam")
    assert resolve_site("  oldermoor ", saved={}, offline=True) == site
    assert [a.service for a in server.log] == ["geocoding"]


def test_a_place_without_height_and_clock_gets_both(server):
    site = resolve_site("Oldermoor Heath", saved={})
    assert site.surface_altitude == 20.0
    assert site.time_zone == "Europe/Amsterdam"


def test_a_name_that_nobody_knows_is_said_with_the_way_out(server):
    with pytest.raises(WxflyError, match=r"no place called 'Nowhere' was found; give LATITUDE,LONGITUDE"):
        resolve_site("Nowhere", saved={})
    with pytest.raises(WxflyError, match="offline these are known: heath, "):
        resolve_site("Nowhere", saved=SAVED, offline=True)
    with pytest.raises(WxflyError, match="an empty place"):
        resolve_site("  ", saved={})


def test_time_zones_are_found_everywhere():
    assert time_zone_at(39.7, -105.0) == "America/Denver"
    assert time_zone_at(0.0, -30.0)
    assert time_zone_at(90.0, 0.0)
    assert time_zone_at(-90.0, 180.0)


@pytest.mark.parametrize("text", ["{}", "garbage", "[" * 100_000, "", "null", '{"results": [3]}'])
def test_a_kept_name_that_is_damaged_is_asked_for_again(server, text):
    first = resolve_site("Oldermoor", saved={})
    keep_reply("places", "oldermoor", text, datetime.now(UTC))
    with pytest.raises(WxflyError, match="was not looked up before"):
        resolve_site("Oldermoor", saved={}, offline=True)
    assert resolve_site("Oldermoor", saved={}) == first
    assert [a.service for a in server.log] == ["geocoding", "geocoding"]
    assert resolve_site("Oldermoor", saved={}, offline=True) == first


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e9", "-501", "x", ""])
def test_a_kept_ground_that_is_none_is_asked_for_again(server, text):
    keep_reply("ground", "52.3100,6.8400", text, datetime.now(UTC))
    assert math.isnan(resolve_site("52.31,6.84", saved={}, offline=True).surface_altitude)
    assert resolve_site("52.31,6.84", saved={}).surface_altitude == 20.0
    assert resolve_site("52.31,6.84", saved={}, offline=True).surface_altitude == 20.0


def test_a_name_of_broken_letters_is_one_line():
    with pytest.raises(WxflyError, match="cannot be looked up; write its name in plain letters"):
        resolve_site("K\udcff", saved={})


def test_a_place_in_a_time_zone_that_is_not_known_here_is_no_broken_place(server):
    """Such a reply is kept without its zone; one that an early wxfly kept is read without it."""

    def in_mars(body):
        document = json.loads(body)
        document["results"][0]["timezone"] = "Mars/Olympus"
        return json.dumps(document).encode()

    server.always["geocoding"] = Fault(change=in_mars)
    assert resolve_site("Oldermoor", saved={}).time_zone == "Europe/Amsterdam"
    kept = kept_reply("places", "oldermoor")
    assert "Mars" not in kept.text
    keep_reply("places", "oldermoor", in_mars(kept.text.encode()).decode(), kept.retrieved)
    assert resolve_site("Oldermoor", saved={}, offline=True).time_zone == "Europe/Amsterdam"


@pytest.mark.parametrize("text", ["haeth", "Heaht", "heat", "Keldernes", "whistlebush"])
def test_a_misspelt_site_is_never_looked_up_as_a_place(server, text):
    with pytest.raises(WxflyError, match=r"is not a saved site; did you mean '.*write 'place:"):
        resolve_site(text, saved=SAVED)
    assert server.log == []


def test_a_place_that_is_nearly_called_as_a_site_is_found_when_it_is_asked_for_as_a_place(server):
    saved = {"Oldermor": SAVED["heath"]}
    with pytest.raises(WxflyError, match="did you mean 'Oldermor'"):
        resolve_site("Oldermoor", saved=saved)
    assert resolve_site("place:Oldermoor", saved=saved).name == "Oldermoor, Lowmark, Inventia"
    assert "geocoding" in [a.service for a in server.log]
    with pytest.raises(WxflyError, match="an empty place"):
        resolve_site("place: ", saved=SAVED)


def test_the_name_of_a_plan_is_not_looked_up_as_a_place(own_folders):
    plans_file().parent.mkdir(parents=True, exist_ok=True)
    plans_file().write_text('[roof]\nheight = "50m"\n')
    with pytest.raises(WxflyError, match="'roof' is a saved plan, not a site; name a site and give --plan roof"):
        resolve_site("roof", saved={})
