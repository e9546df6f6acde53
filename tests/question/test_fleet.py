"""A fleet: the rows of its table, requests within the limits, going on after a break, the same answers as a week."""

import json
from pathlib import Path

import pytest

from tests.server import Fault
from wxfly.cli.program import ExitCode
from wxfly.pilot.options import read_words
from wxfly.question.fleet import ask_fleet, read_fleet_question
from wxfly.retrieval import fleet as retrieval
from wxfly.retrieval.fleet import Pace

DEMO = "name,aircraft,height\nKelderness,camera-quad-250g,60m\nValdrenna,camera-quad-1kg,80m\n"


NO_DATA = b'{"error":true,"reason":"No data is available for this location"}'


def table(folder, text, name="sites.csv"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)


def sites(count, *, latitude=52.0):
    rows = [f"Mast {k},{latitude + k / 50:.4f},6.{k:02d},{20 + k}" for k in range(count)]
    return "\n".join(["name,latitude,longitude,elevation", *rows])


@pytest.fixture
def few_at_once(monkeypatch):
    """Let a request take three places."""
    monkeypatch.setattr(retrieval, "MOST_PLACES", 3)


@pytest.fixture
def ask(own_folders, server, monkeypatch):
    """Ask about a fleet without judging its hours; give what came, and the lines of progress."""
    monkeypatch.setattr("wxfly.question.fleet.brief_of", lambda prepared: prepared)
    told = []

    def run(text, **words):
        fleet = read_fleet_question(Path(table(own_folders, text)), read_words({"days": 2, **words}))
        return ask_fleet(fleet, lambda answer: answer, on_progress=told.append)

    run.told = told
    return run


def lost(answered):
    return [a.row.site.name for a in answered.made if a.fault]


def asked(out):
    return {site["name"]: site for site in json.loads(out)["sites"]}


def test_each_row_is_answered_as_the_week_at_its_site(wxfly, own_folders):
    code, out, err = wxfly("fleet", table(own_folders, DEMO), "--json", "--days", "2")
    assert code == 0, err
    for name, site in asked(out).items():
        words = ("--aircraft", site["aircraft"], "--height", f"{site['height']:g}m")
        alone = json.loads(wxfly("week", name, *words, "--days", "2", "--json")[1])
        verdict = alone["verdict"]
        assert site["word"] == verdict["word"] and site["as_far_as_known"] == verdict["as_far_as_known"]
        assert site["windows"][0]["chance"] == verdict["chance"] and site["windows"][0]["margin"] == verdict["spare"]
        assert {w["start"] for w in site["windows"]} == {w["start"] for w in alone["sites"][0]["windows"]}
    assert json.loads(out)["invented"]


def test_every_fault_of_every_row_is_told_at_once_with_row_and_column(wxfly, own_folders):
    text = (
        "name,lat,lon,aircraft,height,days\n"
        "Mast 1,52.1,6.1,camera-quad-25g,60m,\n"
        "Mast 2,95,6.2,,sixty,3\n"
        "Keldernes,,,,,40\n"
        "Mast 4,52.4,6.4,,,\n"
    )
    code, out, err = wxfly("fleet", table(own_folders, text))
    assert (code, out) == (1, "")
    lines = err.strip().split("\n")
    assert lines[0].startswith("row 2, column aircraft: ") and "did you mean 'camera-quad-250g'?" in lines[0]
    assert lines[1].startswith("row 3, column lat: 95 is outside")
    assert any(line.startswith("row 4, column name: ") and "did you mean 'Kelderness'?" in line for line in lines)
    assert any(line.startswith("row 4, column days: ") for line in lines)
    assert "3 of 4 rows cannot be used, so nothing was asked" in lines[-1]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("name,latitude,longitude,aircaft\nA,52,6,x\n", "did you mean 'aircraft'?"),
        ("name,latitude,longitude\n", "no rows"),
        ("", "empty"),
        ("a,b\n1,2\n", "column 'a' is not known"),
        ("name,name\nA,B\n", "twice"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused(wxfly, own_folders, text, told):
    code, out, err = wxfly("fleet", table(own_folders, text))
    assert (code, out) == (1, "") and told in err


def test_semicolons_and_degrees_in_other_forms_are_read(own_folders):
    text = "Name;Latitude;Longitude;Elevation\nHeath;52,31;6,84;31\nDune;N52°24'36\";E6°50';30m\n"
    heath, dune = (r.site for r in read_fleet_question(Path(table(own_folders, text)), read_words({})).rows)
    assert (heath.latitude, heath.surface_altitude) == (52.31, 31) and dune.latitude == pytest.approx(52.41)


def test_many_sites_are_few_requests_and_what_is_stored_is_not_asked_again(ask, server, few_at_once):
    assert not lost(ask(sites(5)))
    assert [len(a.query["latitude"].split(",")) for a in server.asked("forecast")] == [3, 2]
    assert not server.asked("elevation") and not server.asked("cells")
    before = len(server.log)
    again = ask(sites(5))
    assert len(server.log) == before and again.cost.requests == 0 and not lost(again)


def test_the_limits_of_weight_and_length_decide_how_many_go_together():
    assert retrieval._most(2.9, 600) == 188  # the length of the query
    assert retrieval._most(36.6, 600) == 15  # the weight of a minute


@pytest.mark.thorough
def test_the_ground_is_asked_for_a_hundred_places_at_once(ask, server):
    answered = ask("name,latitude,longitude\n" + "\n".join(f"Mast {k},52.{k},6.1" for k in range(5)))
    assert len(server.asked("elevation")) == 1
    ground = [a.briefing.requests[0].site.surface_altitude for a in answered.made]
    assert ground == [20, 21, 22, 23, 24]


def test_a_group_that_fails_leaves_the_others_and_the_same_command_goes_on(ask, server, few_at_once):
    server.once["forecast"] = [Fault(), Fault(status=400, body=NO_DATA)]
    assert lost(ask(sites(5))) == ["Mast 3", "Mast 4"]
    before = len(server.asked("forecast"))
    assert not lost(ask(sites(5))) and len(server.asked("forecast")) == before + 1


def test_what_is_not_known_is_said_before_the_table(wxfly, own_folders, server, monkeypatch):
    monkeypatch.setattr(retrieval, "MOST_PLACES", 1)
    server.once["forecast"] = [Fault(), Fault(status=400, body=NO_DATA)]
    code, text, _ = wxfly("fleet", table(own_folders, sites(2)), "--days", "1")
    assert code == ExitCode.UNFINISHED and text.startswith("As far as known: ")
    assert text.index("No answer for 1 of 2") < text.index("best window")
    assert max(map(len, text.split("\n"))) <= 80


def test_the_service_is_waited_for_as_long_as_it_asks(ask, server, monkeypatch):
    waited = []
    monkeypatch.setattr("wxfly.sources.http.time.sleep", waited.append)
    reason = b'{"error":true,"reason":"Minutely API request limit exceeded. Please try again in one minute."}'
    server.once["forecast"] = [Fault(status=429, body=reason, headers={"Retry-After": "55"})]
    assert not lost(ask(sites(2))) and 55 <= max(waited) <= 56
    assert any("too many requests in this minute" in line and "; waiting 5" in line for line in ask.told)


def test_after_two_failures_nobody_else_is_asked(ask, server, few_at_once):
    server.always["forecast"] = Fault(status=400, body=NO_DATA)
    answered = ask(sites(12))
    assert len(server.asked("forecast")) == 2 and len(lost(answered)) == 12 and answered.stopped


@pytest.mark.thorough
def test_what_came_before_an_interrupt_is_answered_and_kept(ask, server, few_at_once, monkeypatch):
    real = retrieval.obtain

    def interrupted(places, **rest):
        if server.asked("forecast"):
            raise KeyboardInterrupt
        return real(places, **rest)

    monkeypatch.setattr(retrieval, "obtain", interrupted)
    answered = ask(sites(5))
    assert answered.stopped == "interrupted" and lost(answered) == ["Mast 3", "Mast 4"]
    monkeypatch.setattr(retrieval, "obtain", real)
    assert not lost(ask(sites(5))) and len(server.asked("forecast")) == 2


@pytest.mark.thorough
def test_offline_answers_from_the_store_site_by_site(ask, server):
    ask(sites(2))
    before = len(server.log)
    answered = ask(sites(3), offline=True)
    assert lost(answered) == ["Mast 2"] and len(server.log) == before
    assert any("from the store" in note for note in answered.made[0].briefing.notes)


@pytest.mark.thorough
def test_members_come_where_they_fit_into_an_hour_and_else_that_is_said(ask, chooses, server, monkeypatch):
    monkeypatch.setattr(Pace, "before", lambda *_: None)
    with monkeypatch.context() as changed:
        changed.setattr(retrieval, "PER_HOUR", 40.0)
        answered = ask(sites(2))
        assert not server.asked("ensemble") and any("members would take" in note for note in answered.notes)
    answered = ask(sites(2))
    assert server.asked("ensemble") and not answered.notes
    assert all(a.briefing.ensembles for a in answered.made)


def test_a_pace_waits_for_the_next_minute_and_ends_with_the_day(monkeypatch):
    from wxfly.errors import WxflyError
    from wxfly.sources.http import Tally

    clock, spent, told = [1000.0 * 86_400 + 30.0], [0.0], []
    monkeypatch.setattr(retrieval.time, "time", lambda: clock[0])
    monkeypatch.setattr(retrieval.time, "sleep", lambda seconds: clock.__setitem__(0, clock[0] + seconds))
    monkeypatch.setattr(retrieval, "tally", lambda: Tally(weight=spent[0]))
    pace = Pace(told.append, is_limited=True)
    waits = []
    for _ in range(30):
        at = clock[0]
        try:
            pace.before(550.0)
        except WxflyError as fault:
            assert "10000 weighted calls of this day" in str(fault)
            break
        waits.append(clock[0] - at)
        spent[0] += 550.0
    assert len(waits) == 18 and waits[0] == 0 and waits[1] == 31.0
    assert max(waits) > 2000  # nine groups fill an hour
    assert told[0] == "waiting 31 s for the next minute's share of the free service"


@pytest.mark.thorough
def test_many_rows_are_judged_in_several_processes_with_the_same_answers(wxfly, own_folders, clock, monkeypatch):
    path = table(own_folders, sites(6))
    one = json.loads(wxfly("fleet", path, "--json")[1])
    monkeypatch.setattr("wxfly.question.fleet._MANY", 2)
    monkeypatch.setattr("wxfly.question.fleet._processes", lambda: 2)
    several = json.loads(wxfly("fleet", path, "--json")[1])
    for a, b in zip(one["sites"], several["sites"], strict=True):
        assert (a["name"], a["windows"], a["days"]) == (b["name"], b["windows"], b["days"])


def zones_at(folder, *features):
    """Write a file of zones round Kelderness; each feature is its properties, with or without an outline."""
    area = {"type": "Point", "coordinates": [-8.72, 54.31], "extent": {"radius": 900}}
    made = [
        {"type": "Feature", "properties": {"name": "Range", **says}, "geometry": area if is_readable else None}
        for says, is_readable in features
    ]
    path = folder / "mine.json"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": made}))
    return "--zones", str(path)


def during(start, end):
    return {"limitedApplicability": [{"permanent": "NO", "startDateTime": start, "endDateTime": end}]}


PROHIBITED = {"type": "PROHIBITED"}


def test_a_row_in_a_prohibited_zone_says_so_and_does_not_count_as_one_with_room(wxfly, own_folders):
    asked_of = ("fleet", table(own_folders, DEMO), "--days", "2")
    before = json.loads(wxfly(*asked_of, "--json")[1])
    zones = zones_at(own_folders, (PROHIBITED, True))
    code, out, err = wxfly(*asked_of, *zones, "--json")
    assert code == 0, err
    answer = json.loads(out)
    inside = [site for site in answer["sites"] if site["in_prohibited_zone"]]
    assert [site["zone_warning"] for site in inside] == ["in a prohibited zone"] and inside
    with_room = [site for site in answer["sites"] if site["word"] in ("room", "little room")]
    assert with_room[-len(inside) :] == inside
    assert answer["with_room"] == before["with_room"] - 1 and answer["in_prohibited_zone"] == 1
    assert before["in_prohibited_zone"] == 0
    assert any("UAS zones were not looked at" in caution for caution in before["cautions"])
    assert not any("UAS zones were not looked at" in caution for caution in answer["cautions"])
    told = wxfly(*asked_of, *zones)[1]
    assert "in a prohibited zone: " in told and f"{answer['with_room']} of 2 sites have room" in " ".join(told.split())


def test_a_fleet_that_has_room_in_prohibited_zones_alone_has_none(wxfly, own_folders):
    one = "name,aircraft,height\nKelderness,camera-quad-250g,60m\n"
    asked_of = ("fleet", table(own_folders, one), "--days", "2", *zones_at(own_folders, (PROHIBITED, True)))
    told = " ".join(wxfly(*asked_of)[1].split())
    assert "no site of 1 has room to fly outside a prohibited zone." in told


def test_a_row_says_of_a_zone_and_of_zones_that_cannot_be_read(wxfly, own_folders):
    asked_of = ("fleet", table(own_folders, DEMO), "--days", "2", "--json")
    zones = zones_at(own_folders, (PROHIBITED, True), ({"name": "Lost", "type": "PROHIBITED"}, False))
    answer = json.loads(wxfly(*asked_of, *zones)[1])
    told = {site["name"]: site["zone_warning"] for site in answer["sites"]}
    assert told["Kelderness"] == "in a prohibited zone, zones that cannot be read"
    assert told["Valdrenna"] == "zones that cannot be read"


def test_a_row_says_of_a_zone_in_another_window(wxfly, own_folders):
    """The best window meets none; another one, which the row offers too, does."""
    asked_of = ("fleet", table(own_folders, DEMO), "--days", "7", "--json")
    (site,) = (s for s in json.loads(wxfly(*asked_of)[1])["sites"] if s["name"] == "Kelderness")
    other = site["windows"][-1]
    zones = zones_at(own_folders, (PROHIBITED | during(other["start"], other["end"]), True))
    (site,) = (s for s in json.loads(wxfly(*asked_of, *zones)[1])["sites"] if s["name"] == "Kelderness")
    assert len(site["windows"]) > 1 and not site["in_prohibited_zone"]
    assert site["zone_warning"] == "in a prohibited zone in another window"
    assert [bool(window["zone_warning"]) for window in site["windows"]] == [
        window["start"] == other["start"] for window in site["windows"]
    ]
