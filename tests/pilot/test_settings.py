"""Settings: where from, what is refused."""

import math
import re

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.own_files import damage_notes
from wxfly.pilot.settings import DEFAULT_ADDRESSES, DEFAULT_MODEL, cache_folder, config_folder, load_settings
from wxfly.sources.http import check_host


@pytest.fixture
def config(own_folders, monkeypatch):
    monkeypatch.delenv("WXFLY_MODEL", raising=False)
    (own_folders / "config").mkdir()
    return own_folders / "config" / "config.toml"


def test_the_environment_names_the_folders(own_folders):
    assert cache_folder() == own_folders / "cache"
    assert config_folder() == own_folders / "config"


def test_without_it_they_are_the_platforms(monkeypatch):
    monkeypatch.delenv("WXFLY_CACHE")
    monkeypatch.delenv("WXFLY_CONFIG")
    assert cache_folder().name == "wxfly"
    assert config_folder().name == "wxfly"
    assert cache_folder() != config_folder()


def test_defaults_hold_without_a_file(usual_addresses):
    settings = load_settings()
    assert settings.addresses == DEFAULT_ADDRESSES
    assert all(address.startswith("https://") for address in settings.addresses.values())
    assert "api.open-meteo.com" in settings.hosts


def test_the_file_is_read_and_the_environment_goes_before_it(config, monkeypatch):
    monkeypatch.delenv("WXFLY_GEOCODING_URL")
    config.write_text(
        'model = "icon_eu"\npatience_seconds = 9\n[sources]\ngeocoding = "https://mirror.example.org/v1/search/"\n'
        'forecast = "https://mirror.example.org/v1/forecast"\n[store]\nmaximum_age_days = 3\n'
    )
    monkeypatch.delenv("WXFLY_PATIENCE")
    monkeypatch.setenv("WXFLY_FORECAST_URL", "http://127.0.0.1:8000/v1/forecast")
    settings = load_settings()
    assert settings.model == "icon_eu"
    assert settings.patience_seconds == 9.0
    assert settings.maximum_age_days == 3.0
    assert settings.addresses["geocoding"] == "https://mirror.example.org/v1/search"
    assert settings.addresses["forecast"] == "http://127.0.0.1:8000/v1/forecast"
    assert {"mirror.example.org", "127.0.0.1:8000"} <= settings.hosts


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('modle = "icon_eu"', "key 'modle' is not known; did you mean 'model'"),
        ("[source]\n", "key 'source' is not known"),
        ('[sources]\nforcast = "https://x.org"', r"\[sources\] key 'forcast' is not known; did you mean 'forecast'"),
        ("[store]\nmaximum_age = 3", "did you mean 'maximum_age_days'"),
        ("model = 3", "model = 3 must be a text"),
        ('patience_seconds = "long"', "must be a number above 0"),
        ("patience_seconds = 0", "must be a number above 0"),
        ("patience_seconds = true", "must be a number above 0"),
        ("sources = 3", "must be a table"),
        ("not toml", "not a TOML file"),
    ],
)
def test_a_fault_in_the_file_is_told_in_one_line_and_set_aside(config, text, words):
    config.write_text(f"{text}\n")
    settings = load_settings()
    (line,) = damage_notes(settings.set_aside)
    assert re.search(words, line)
    assert line.startswith(f"{config}, line 1: ")
    assert "\n" not in line
    assert config.read_text() == f"{text}\n"
    assert (settings.model, settings.patience_seconds) == (DEFAULT_MODEL, 20.0)


def test_one_bad_line_costs_no_other(config, usual_addresses):
    config.write_text('model = "icon_eu"\ncontact = "me@example.org\n[store]\nmaximum_age_days = 400\n')
    settings = load_settings()
    assert (settings.model, settings.contact) == ("icon_eu", "")
    assert (settings.maximum_age_days, settings.maximum_megabytes) == (400.0, 200.0)
    assert settings.addresses == DEFAULT_ADDRESSES
    assert [(part.path, part.line) for part in settings.set_aside] == [(config, 2)]


@pytest.mark.parametrize(
    "text",
    [
        '[sources]\nforecast = "https://mirror.example.org/v1"\nmodel = \n',
        '[sxurces]\nforecast = "https://mirror.example.org/v1"\n',
        '[sources\nforecast = "https://mirror.example.org/v1"\n',
        'forecast = "https://mirror.example.org/v1"\n',
        "[sources]\nforecast = 3\n",
        '[sources]\nforecast = "http://mirror.example.org/v1"\n',
    ],
)
def test_a_place_is_sent_to_nobody_in_place_of_an_address_that_cannot_be_read(config, usual_addresses, text):
    config.write_text(text)
    settings = load_settings()
    assert set(settings.addresses.values()) == {""}
    assert settings.hosts == set()
    with pytest.raises(WxflyError, match=r"not asked, the addresses in the settings cannot be read; mend config\.toml"):
        check_host(settings.addresses["forecast"] + "/x", settings, "ICON-EU")


def test_nothing_leaves_the_store_by_a_limit_that_cannot_be_read(config):
    config.write_text("[store]\nmaximum_age_days = 40O\n")
    settings = load_settings()
    assert (settings.maximum_age_days, settings.maximum_megabytes) == (math.inf, math.inf)


@pytest.mark.parametrize(
    "address", ["http://api.example.org/v1", "ftp://x.org", "api.example.org", "https://", "http://[", "https://x:y/"]
)
def test_a_place_is_never_sent_over_the_open_wire(address, monkeypatch):
    monkeypatch.setenv("WXFLY_FORECAST_URL", address)
    with pytest.raises(WxflyError, match="must start with https://"):
        load_settings()


def test_patience_of_the_environment_must_be_a_number(monkeypatch):
    monkeypatch.setenv("WXFLY_PATIENCE", "a while")
    with pytest.raises(WxflyError, match="must be a number of seconds"):
        load_settings()


def test_a_contact_that_no_header_can_carry_is_refused(own_folders):
    (own_folders / "config").mkdir()
    (own_folders / "config" / "config.toml").write_text('contact = "José@example.org"\n', encoding="utf-8")
    settings = load_settings()
    assert settings.contact == ""
    assert "contact = 'José@example.org' must be plain ASCII" in settings.set_aside[0].fault


def test_the_home_of_nobody_is_told_in_one_line(monkeypatch):
    monkeypatch.setenv("WXFLY_CACHE", "~nosuchuser/x")
    with pytest.raises(WxflyError, match="WXFLY_CACHE = '~nosuchuser/x' names the home folder of an unknown user"):
        cache_folder()


def test_a_mark_before_the_settings_is_no_fault_and_a_folder_is_one(config):
    config.write_bytes(b'\xef\xbb\xbfmodel = "icon_eu"\n')
    assert load_settings().model == "icon_eu"
    config.unlink()
    config.mkdir()
    (part,) = load_settings().set_aside
    assert part.fault.startswith("cannot be read")


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "patience_seconds = 1" + "0" * 400, "patience_seconds = 1" + "0" * 6000]
)
def test_numbers_and_nests_beyond_measure_are_told_in_one_line(config, text):
    config.write_text(text)
    (part,) = load_settings().set_aside
    assert "not a TOML file" in part.fault
    assert len(damage_notes([part])[0]) < 400


def test_a_model_and_an_ensemble_for_every_place_are_named_in_the_file_or_before_it(config, monkeypatch):
    monkeypatch.delenv("WXFLY_ENSEMBLE", raising=False)
    assert (load_settings().names_model, load_settings().ensemble) == (False, ""), "chosen by place and hours"
    config.write_text('model = "icon_eu"\nensemble = "none"\n')
    settings = load_settings()
    assert (settings.model, settings.names_model, settings.ensemble) == ("icon_eu", True, "none")
    monkeypatch.setenv("WXFLY_MODEL", "icon_d2")
    monkeypatch.setenv("WXFLY_ENSEMBLE", "icon_d2_eps")
    settings = load_settings()
    assert (settings.model, settings.names_model, settings.ensemble) == ("icon_d2", True, "icon_d2_eps")
