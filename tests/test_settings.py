"""Settings: where from, what is refused."""

import pytest

from wxfly.errors import WxflyError
from wxfly.settings import DEFAULT_ADDRESSES, cache_folder, config_folder, load_settings


@pytest.fixture
def config(own_folders):
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


def test_defaults_hold_without_a_file(monkeypatch):
    for name in DEFAULT_ADDRESSES:
        monkeypatch.delenv(f"WXFLY_{name.upper()}_URL")
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
        ('contact = "a\\nb"', "must be a text"),
        ("not toml", "not a TOML file"),
    ],
)
def test_a_fault_in_the_file_is_told_in_one_line(config, text, words):
    config.write_text(text)
    with pytest.raises(WxflyError, match=words) as caught:
        load_settings()
    assert "\n" not in str(caught.value)


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
    with pytest.raises(WxflyError, match=r"contact = 'José@example\.org' must be plain ASCII"):
        load_settings()


def test_the_home_of_nobody_is_told_in_one_line(monkeypatch):
    monkeypatch.setenv("WXFLY_CACHE", "~nosuchuser/x")
    with pytest.raises(WxflyError, match="WXFLY_CACHE = '~nosuchuser/x' names the home folder of somebody who is not"):
        cache_folder()


def test_a_mark_before_the_settings_is_no_fault_and_a_folder_is_one(config):
    config.write_bytes(b'\xef\xbb\xbfmodel = "icon_eu"\n')
    assert load_settings().model == "icon_eu"
    config.unlink()
    config.mkdir()
    with pytest.raises(WxflyError, match="cannot be read"):
        load_settings()


@pytest.mark.parametrize(
    "text", ["a = " + "[" * 5000, "patience_seconds = 1" + "0" * 400, "patience_seconds = 1" + "0" * 6000]
)
def test_numbers_and_nests_beyond_measure_are_told_in_one_line(config, text):
    config.write_text(text)
    with pytest.raises(WxflyError, match="not a TOML file"):
        load_settings()
