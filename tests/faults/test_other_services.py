"""Faults of the other services, over a real socket and through the command: one line or a note, nothing poisoned."""

import pytest

from tests.faults.other_services import FAULTS, NOTE, OWN_GROUND, PLACE, REFUSAL, SERVICES, met_norway
from tests.halves import spread
from wxfly.pilot.settings import cache_folder
from wxfly.store import forecasts
from wxfly.store.replies import kept_reply


@pytest.fixture(autouse=True)
def contact_is_set(server, own_folders, monkeypatch):
    monkeypatch.setenv("COLUMNS", "400")
    (own_folders / "config").mkdir()
    (own_folders / "config" / "config.toml").write_text('contact = "pilot@example.org"\n')


def left_in(folder):
    return [p.name for p in (cache_folder() / folder).rglob("*.*")]


def the_line(text, begins, words):
    """Find the one line that tells of the fault, wherever it was wrapped."""
    told = " ".join(text.split())
    assert told.count(begins) == 1, text
    line = told[told.index(begins) :][:400]
    assert not words or any(w in line for w in words.split("|")), line
    return line


@pytest.mark.parametrize("name", spread(FAULTS, 8))  # of each service at least one
def test_a_fault_is_one_line_and_poisons_nothing(server, wxfly, name):
    service, fault, words = FAULTS[name]
    terms = SERVICES[service]
    server.always[service] = fault
    code, out, err = wxfly(*terms.question)
    if terms.ends_in == REFUSAL:
        assert (code, out) == (1, "")
        line = the_line(err, "Error: ", words)
        assert terms.line in line
        assert len(err.splitlines()[-1]) < 400
        assert left_in("forecasts") == [] or service == "aviation_weather"
    else:
        assert code == 0, err
        if terms.ends_in == NOTE:
            # The reason why a run is not known is no use to a pilot.
            the_line(out, terms.line, words if service != "metadata" else "")
        if terms.ends_in == OWN_GROUND:
            (stored,) = forecasts.list_forecasts()
            assert forecasts.open_forecast(stored)["surface_altitude"].item() == pytest.approx(35, abs=15)
    if service == "kp":
        assert "Kp of the hours just past is from GFZ" in out
        assert kept_reply("space_weather", "noaa-planetary-k-index-forecast.json") is None
    elif service == "outlook":
        assert kept_reply("space_weather", "27-day-outlook.txt") is None
    else:
        assert left_in(terms.kept) == []
    # Once the service is well again it is asked, and nothing is left of the fault.
    del server.always[service]
    if service == "met_norway":
        server.always[service] = met_norway()
    asked = len(server.asked(service))
    code, out, err = wxfly(*terms.question)
    assert code == 0, err
    assert len(server.asked(service)) > asked
    assert terms.ends_in != NOTE or terms.line not in " ".join(out.split())


MET = [name for name, (service, _, _) in FAULTS.items() if service == "met_norway" and "304" not in name]


@pytest.mark.parametrize("name", spread([name for name in MET if "nothing new" not in name], 6))
def test_a_forecast_of_met_norway_in_the_store_outlives_every_fault(server, wxfly, name):
    _, fault, words = FAULTS[name]
    server.always["met_norway"] = met_norway()
    assert wxfly(*SERVICES["met_norway"].question)[0] == 0
    kept = {p: p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.*")}
    for path in (cache_folder() / "replies" / "met_norway").iterdir():
        path.unlink()  # the terms: it may be asked again
    server.always["met_norway"] = fault
    code, out, err = wxfly("best", PLACE, "--model", "met_norway")
    assert code == 0, err
    assert out.startswith("See the note: ")
    assert "Forecast from the store, retrieved " in out.split("\n")[1]
    the_line(out, "no newer forecast is available: MET Norway for 52.31, 6.84: ", words)
    assert {p: p.read_bytes() for p in (cache_folder() / "forecasts").rglob("*.*")} == kept


def test_a_report_at_hand_outlives_a_fault(server, wxfly):
    from tests.server import Fault

    assert wxfly("observed", PLACE)[0] == 0
    for folder in ("reports", "aerodrome_forecasts"):
        for path in (cache_folder() / "replies" / folder).iterdir():
            path.write_text(path.read_text().replace('"retrieved": "20', '"retrieved": "19'))  # long ago: asked again
    server.always["aviation_weather"] = server.always["aerodrome_forecasts"] = Fault(status=503, body=b"x")
    code, out, _ = wxfly("observed", PLACE)
    assert code == 0
    assert len(server.asked("aviation_weather")) > 1
    assert "The forecast agrees with what the nearest airport reported" in out
    assert "the forecast agrees with the airport's own" in out


def test_every_service_and_kind_is_played():
    assert {service for service, _, _ in FAULTS.values()} == set(SERVICES)
    assert len(FAULTS) >= 90
