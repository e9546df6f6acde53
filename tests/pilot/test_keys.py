"""The key of a customer: from the environment or a file of one's own, sent where it belongs and shown nowhere."""

import json
import os

import pytest

from tests.server import Fault
from wxfly.errors import WxflyError
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.settings import DEFAULT_ADDRESSES, FILE, cache_folder, load_settings

KEY = "Q7mZ-secret-0815"
SITES = '[heath]\nlatitude = 52.31\nlongitude = 6.84\nsurface_altitude = 31\ntime_zone = "Europe/Amsterdam"\n'


@pytest.fixture
def saved(own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "sites.toml").write_text(SITES)


def test_without_a_key_the_free_addresses_are_asked_without_one(usual_addresses):
    settings = load_settings()
    assert settings.addresses == DEFAULT_ADDRESSES
    assert settings.key_for(settings.addresses["forecast"]) == {}


def test_with_one_the_addresses_of_customers_are_asked(usual_addresses, monkeypatch):
    monkeypatch.setenv("WXFLY_FORECAST_KEY", KEY)
    settings = load_settings()
    assert settings.addresses["forecast"] == "https://customer-api.open-meteo.com/v1/forecast"
    assert settings.addresses["ensemble"].startswith("https://customer-ensemble-api.open-meteo.com/")
    assert settings.addresses["met_norway"] == DEFAULT_ADDRESSES["met_norway"]
    assert settings.key_for(settings.addresses["forecast"]) == {"apikey": KEY}
    assert settings.key_for(settings.addresses["met_norway"]) == {}
    assert KEY not in repr(settings)


def test_the_key_goes_to_the_forecast_service_alone_and_is_found_nowhere(server, saved, wxfly, monkeypatch, tmp_path):
    monkeypatch.setenv("WXFLY_FORECAST_KEY", KEY)
    told = ""
    for arguments in (["best", "heath", "--html", str(tmp_path / "page.html"), "-v"], ["best", "heath", "--json"]):
        code, out, err = wxfly(*arguments)
        assert code == 0
        told += out + err
    server.always["forecast"] = Fault(status=401, body=json.dumps({"reason": f"The key {KEY} is not known"}).encode())
    for form in ("text", "json"):
        code, out, err = wxfly("fetch", "52.41,6.84", "--log", form)
        assert code == 1
        assert "(key)" in err
        told += out + err
    assert {a.service for a in server.log if "apikey" in a.query} >= {"forecast"}
    assert not any("apikey" in a.query for a in server.log if a.service in ("kp", "outlook", "metadata"))
    assert KEY not in told
    files = [p for p in [*cache_folder().rglob("*"), *tmp_path.rglob("*")] if p.is_file()]
    assert files
    assert not any(KEY.encode() in p.read_bytes() for p in files)


@pytest.mark.skipif(os.name != "posix", reason="rights of files are those of POSIX")
def test_a_file_that_others_may_read_is_refused(own_folders):
    folder = own_folders / "config"
    folder.mkdir()
    path = folder / FILE
    path.write_text(KEY + "\n")
    path.chmod(0o640)
    assert load_settings().key == ""
    (line,) = damage_notes(load_settings().set_aside)
    assert "others may read this key; make it private: chmod 600" in line
    assert KEY not in line
    path.chmod(0o600)
    assert load_settings().key == KEY


@pytest.mark.parametrize("text", ["short", "with blank inside", "x" * 201, "two\nlines-of-it", "ümlaut-key"])
def test_what_is_no_key_is_refused_and_not_repeated(own_folders, text):
    folder = own_folders / "config"
    folder.mkdir()
    path = folder / FILE
    path.write_text(text, encoding="utf-8")
    path.chmod(0o600)
    assert load_settings().key == ""
    (line,) = damage_notes(load_settings().set_aside)
    assert "not a key" in line
    assert text not in line


def test_what_is_no_key_in_the_environment_is_refused(monkeypatch):
    monkeypatch.setenv("WXFLY_FORECAST_KEY", "short")
    with pytest.raises(WxflyError, match="not a key"):
        load_settings()


def test_an_empty_file_is_refused(own_folders):
    (own_folders / "config").mkdir()
    path = own_folders / "config" / FILE
    path.touch(mode=0o600)
    assert "not a key" in load_settings().set_aside[0].fault
