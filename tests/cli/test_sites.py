"""What the commands that keep things say: a fetch that brought nothing new is no success."""

from datetime import timedelta

import pytest

from tests.server import Fault
from wxfly.cli import main
from wxfly.errors import WxflyError
from wxfly.pilot.rules import STANDINGS, find_rules
from wxfly.pilot.settings import cache_folder
from wxfly.question.ask import fetch
from wxfly.report.text.own_lists import rules_text

PLACE = "52.31,6.84"


def silent(_):
    return


def test_a_fetch_that_brought_nothing_new_is_an_error_and_what_is_stored_stays(server):
    assert fetch([PLACE], "icon_eu", on_progress=silent).origin == "fetched"
    before = {p: p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.gz")}
    (cache_folder() / "replies" / "metadata" / "icon_eu.json").unlink()
    server.run_delay -= timedelta(hours=6)
    server.always["forecast"] = Fault(status=503, body=b"")
    with pytest.raises(WxflyError, match=r"^no newer forecast is available: Open-Meteo icon_eu for 52.31, 6.84: .*503"):
        fetch([PLACE], "icon_eu", on_progress=silent)
    assert {p: p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.gz")} == before


def test_a_forecast_of_the_newest_run_that_is_stored_already_is_a_success(server, wxfly):
    fetch([PLACE], "icon_eu", on_progress=silent)
    assert "kept for use offline" in wxfly("fetch", PLACE, "--model", "icon_eu")[1]
    assert len(server.asked("forecast")) == 1


def test_offline_a_damaged_forecast_is_told_as_such_with_the_way_to_clear_it(server, capsys):
    fetch([PLACE], "icon_eu", on_progress=silent)
    (path,) = (cache_folder() / "forecasts").rglob("*.gz")
    path.write_bytes(path.read_bytes()[:3000] + bytes(50) + path.read_bytes()[3050:])
    with pytest.raises(SystemExit) as ended:
        main.main(args=["best", PLACE, "--model", "icon_eu", "--offline"], prog_name="wxfly")
    assert ended.value.code == 1
    assert capsys.readouterr().err == (
        "Error: 52.31, 6.84: the forecast of icon_eu in the store is not usable: damaged, its checksum does not match; "
        "clear it with: wxfly store prune --damaged\n"
    )


@pytest.mark.parametrize("name", ["he\u202eath", "heath\x1b[31m", "heath\u200b", "x" * 101, " "])
def test_a_name_that_cannot_be_told_from_another_is_refused_before_anybody_is_asked(server, wxfly, name):
    code, out, err = wxfly("sites", "add", name, "Enschede")
    assert (code, out) == (1, "")
    assert "a name must be printable, not empty, without spaces at its ends, with 100 characters or fewer" in err
    assert err.count("\n") == 1
    assert server.log == []


def test_a_rule_set_says_first_what_is_law_and_last_what_is_a_caution_of_ours():
    told = rules_text(find_rules("eu_open"))
    heads = [words for words in STANDINGS.values() if f"{words}:" in told]
    assert heads == list(STANDINGS.values())
    assert told.index(heads[0]) < told.index("height_limit") < told.index(heads[1])
    assert told.index(heads[2]) < told.index("cloud_separation")


def test_a_saved_site_is_not_replaced_unasked(own_folders, wxfly):
    code, out, _ = wxfly("sites", "add", "meadow", "52.1,6.9", "--surface-cover", "open", "--offline")
    assert code == 0 and "52.1000,6.9000, surface altitude unknown, Europe/" in out
    for name, way in (("meadow", "add --replace"), ("Meadow", "remove that one first")):
        code, out, err = wxfly("sites", "add", name, "51.0,7.0", "--offline")
        assert (code, out) == (1, "")
        assert f"a site 'meadow' is saved already, at 52.10,6.90; give another name, or {way}" in err
    assert wxfly("sites", "add", "meadow", "52.1,6.9", "--offline")[0] == 0, "the same place is no other site"
    assert wxfly("sites", "add", "meadow", "51.0,7.0", "--offline", "--replace")[0] == 0
    assert "51.0000,7.0000" in wxfly("sites")[1]
    assert "open" in wxfly("sites")[1], "what the site says of its ground stays"
