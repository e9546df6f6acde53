"""A pilot's file refused line by line; past forecasts against observations; what may be learned and what not."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.cubes import quiet_cube
from tests.shared import SHARED
from wxfly.assessment.conditions import derive
from wxfly.errors import WxflyError
from wxfly.history import verification
from wxfly.history.observations import gather_hours, parse_csv, parse_metar, read_csv

HEAD = "time,wind_speed [m/s],wind_speed_of_gust [km/h],wind_from_direction [degree],air_temperature [degC]\n"
GOOD = HEAD + "2026-06-10T12:00Z,4.0,25.2,230,18\n2026-06-10T14:10+02:00,5.0,,,\n"

# --- the file -----------------------------------------------------------------------------------------------------


def test_a_good_file():
    record = parse_csv(GOOD, "mine.csv")
    assert record.time.tolist() == [
        np.datetime64("2026-06-10T12:00:00").item(), np.datetime64("2026-06-10T12:10:00").item()
    ]  # fmt: skip
    assert record.columns["wind_speed"].tolist() == [4.0, 5.0]
    assert record.columns["wind_speed_of_gust"][0] == pytest.approx(7.0)
    assert np.isnan(record.columns["wind_speed_of_gust"][1])
    assert record.columns["air_temperature"][0] == pytest.approx(291.15)


@pytest.mark.parametrize(
    ("row", "told"),
    [
        ("yesterday,4,25.2,230,18", "line 2: time 'yesterday' is not a time; write it as"),
        ("2026-06-10T12:00,4,25.2,230,18", "has no offset; write Z"),
        ("2026-06-10T12:00Z,4 m/s,25.2,230,18", "line 2: wind_speed '4 m/s' is not a number"),
        ("2026-06-10T12:00Z,-4,25.2,230,18", "line 2: wind_speed -4 m/s cannot be"),
        ("2026-06-10T12:00Z,4,fast,230,18", "line 2: wind_speed_of_gust 'fast' is not a number"),
        ("2026-06-10T12:00Z,4,2520,230,18", "line 2: wind_speed_of_gust 2520 km/h cannot be"),
        ("2026-06-10T12:00Z,9,25.2,230,18", "wind_speed_of_gust is below wind_speed"),
        ("2026-06-10T12:00Z,4,25.2,SW,18", "line 2: wind_from_direction 'SW' is not a number"),
        ("2026-06-10T12:00Z,4,25.2,400,18", "line 2: wind_from_direction 400 degree cannot be"),
        ("2026-06-10T12:00Z,4,25.2,230,warm", "line 2: air_temperature 'warm' is not a number"),
        ("2026-06-10T12:00Z,4,25.2,230,291", "line 2: air_temperature 291 degC cannot be"),
        ("2026-06-10T12:00Z,4,5,25,2,230,18", "line 2: 7 cells for 5 columns; write decimals with a point"),
        ("2026-06-10T12:00Z,nan,25.2,230,18", "line 2: wind_speed nan m/s cannot be"),
    ],
)
def test_a_fault_in_each_column_is_told_by_line(row, told):
    with pytest.raises(WxflyError) as fault:
        parse_csv(HEAD + row + "\n", "mine.csv")
    assert told in str(fault.value)
    assert "nothing was read" in str(fault.value)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "it is empty"),
        ("time\n", "nothing but time"),
        ("wind_speed [m/s]\n", "no column time"),
        ("time,wind_sped [m/s]\n", "did you mean 'wind_speed'"),
        ("time,wind_speed\n", "names no unit; write wind_speed [m/s]"),
        ("time,wind_speed [bft]\n", "has the unit 'bft'"),
        ("time,wind_speed [m/s],wind_speed [kt]\n", "comes twice"),
        ("time;wind_speed [m/s]\n", "is not known"),
        ("time,wind_speed [m/s]\n", "no rows"),
        (HEAD + "2026-06-10T12:00Z,4,25,230,18\n2026-06-10T12:00Z,4,25,230,18\n", "line 3: time"),
    ],
)
def test_faults_of_headings_and_order(text, told):
    with pytest.raises(WxflyError) as fault:
        parse_csv(text, "mine.csv")
    assert told in str(fault.value)


def test_all_faults_are_told_at_once_and_nothing_is_learned_by_half():
    rows = ["2026-06-10T12:00Z,4,25.2,230,18", "x,4,25,230,18", "2026-06-10T13:00Z,y,z,230,18"]
    with pytest.raises(WxflyError) as fault:
        parse_csv(HEAD + "\n".join(rows), "mine.csv")
    assert "3 faults" in str(fault.value)
    assert all(part in str(fault.value) for part in ("line 3: time 'x'", "line 4: wind_speed 'y'", "gust 'z'"))
    with pytest.raises(WxflyError, match="and 28 more"):
        parse_csv(HEAD + "\n".join("x,4,25,230,18" for _ in range(40)), "mine.csv")


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(WxflyError, match="cannot be read"):
        read_csv(tmp_path / "none.csv")
    (tmp_path / "old.csv").write_bytes(b"time,wind_speed [m/s]\n\xff\xfe\n")
    with pytest.raises(WxflyError, match="UTF-8"):
        read_csv(tmp_path / "old.csv")
    (tmp_path / "bom.csv").write_text("\ufeff" + GOOD, encoding="utf-8")
    assert read_csv(tmp_path / "bom.csv").time.size == 2


def test_what_is_observed_later_than_now_is_refused_by_line(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(HEAD + "2026-06-10T12:00Z,3.5,4,230,18\n2199-06-10T12:00Z,3.5,4,230,18\n", encoding="utf-8")
    with pytest.raises(WxflyError, match=r"line 3: time '2199-06-10T12:00Z' is later than now, .*; check the date"):
        read_csv(path)


@given(st.text(alphabet="0123456789:-TZ+,.;\n []abcdwindspeetm/", max_size=80))
def test_no_text_ends_in_anything_but_a_record_or_a_plain_fault(text):
    try:
        record = parse_csv("time,wind_speed [m/s]\n" + text, "mine.csv")
    except WxflyError:
        return
    assert record.time.size == record.columns["wind_speed"].size > 0


def test_hours_are_gathered_as_forecasts_speak_of_them():
    rows = ["2026-06-10T11:40Z,2,10,350,10", "2026-06-10T12:20Z,4,30,10,12", "2026-06-10T12:50Z,9,40,90,14"]
    hours = gather_hours(parse_csv(HEAD + "\n".join(rows), "mine.csv"))
    noon = int(np.flatnonzero(hours.hour == np.datetime64("2026-06-10T12"))[0])
    assert hours.wind_speed[noon] == pytest.approx(3.0)  # from half past eleven to half past twelve
    assert hours.wind_from_direction[noon] % 360 == pytest.approx(0.0, abs=1e-9)
    assert hours.wind_speed_of_gust[noon] == pytest.approx(40 / 3.6)  # of the hour from twelve to one
    assert np.isnan(hours.wind_speed_of_gust[noon + 1])


def test_airport_reports():
    path = SHARED / "data" / "replies" / "metar_2026-07-21.json"
    if not path.exists():
        pytest.skip("the recorded replies are not beside the checkout")
    record = parse_metar(path.read_bytes(), station="KBFL")
    assert record.columns["wind_speed"][0] == pytest.approx(9 * 1852 / 3600)
    assert np.isnan(record.columns["wind_speed_of_gust"][0])  # none reported is not none blown
    assert record.columns["air_temperature"][0] == pytest.approx(310.95)
    with pytest.raises(WxflyError, match="name one"):
        parse_metar(path.read_bytes())
    with pytest.raises(WxflyError, match="no report of"):
        parse_metar(path.read_bytes(), station="EGXX")


@pytest.mark.parametrize("body", [b"<html>", b"{}", b"[1]", b"[]"])
def test_what_is_no_airport_report(body):
    with pytest.raises(WxflyError):
        parse_metar(body)


# --- forecasts against observations -------------------------------------------------------------------------------


def make_pairs(days, *, wind_ratio=1.0, gust_ratio=1.0, error=1.0, seed=0):
    rng = np.random.default_rng(seed)
    hour = np.datetime64("2026-01-01T00", "s") + np.arange(days * 24) * np.timedelta64(1, "h")
    wind, gust = rng.uniform(3, 9, hour.size), rng.uniform(6, 14, hour.size)
    return verification.Pairs(
        hour, np.tile(np.arange(24.0), days), wind, gust, wind * wind_ratio + rng.normal(0, error, hour.size),
        gust * gust_ratio + rng.normal(0, error, hour.size), rng.uniform(0, 360, hour.size),
        np.tile(np.arange(24.0), days),
    )  # fmt: skip


def test_pairs_of_a_forecast_and_a_file():
    cube = quiet_cube()
    record = gather_hours(parse_csv(HEAD + "2026-06-10T12:00Z,3.5,25.2,230,18\n", "mine.csv"))
    pairs = verification.pair_hours(derive(cube, height=10.0), np.arange(24.0), record)
    assert pairs.hour.tolist() == [np.datetime64("2026-06-10T12:00:00").item()]
    assert (pairs.lead_hours[0], pairs.wind[0], pairs.observed_wind[0]) == pytest.approx((12, 2.0, 3.5))
    assert (pairs.gust[0], pairs.observed_gust[0]) == pytest.approx((4.0, 7.0))
    assert pairs.solar_hour[0] == pytest.approx(12.4)
    with pytest.raises(WxflyError, match="no past forecast"):
        verification.join_pairs([])


def test_errors_by_lead_sector_and_time_of_day():
    pairs = make_pairs(40, wind_ratio=0.8, error=0.5)
    rows = {(r.element, r.group, r.label): r for r in verification.error_rows(pairs)}
    whole = rows["wind", "all", "all"]
    assert (whole.hours, whole.days) == (960, 40)
    assert whole.bias == pytest.approx(0.2 * pairs.wind.mean(), abs=0.06)
    assert whole.error == pytest.approx(np.sqrt(np.mean((0.2 * pairs.wind) ** 2) + 0.25), abs=0.06)
    assert sum(r.hours for r in rows.values() if r.group == "sector" and r.element == "gust") == 960
    assert sum(r.hours for r in rows.values() if r.group == "time of day" and r.element == "wind") == 960
    assert ("wind", "lead", "0 to 24 h") in rows
    assert ("wind", "lead", "24 to 72 h") not in rows


def test_nothing_is_learned_from_too_few_days():
    assert verification.learn(make_pairs(verification.FEWEST_DAYS - 1, wind_ratio=0.6), "meadow", "icon_eu") is None
    one_day = make_pairs(1)
    many_hours = verification.Pairs(
        *(np.tile(getattr(one_day, n), 100) for n in verification.Pairs.__dataclass_fields__)
    )
    assert verification.learn(many_hours, "meadow", "icon_eu") is None  # hours of one day are one day


@pytest.mark.parametrize("ratio", [0.4, 0.8, 1.0, 1.2, 3.0])
def test_what_is_learned_is_shrunk_to_none_and_bounded(ratio):
    few = verification.learn(make_pairs(30, wind_ratio=ratio), "meadow", "icon_eu")
    many = verification.learn(make_pairs(300, wind_ratio=ratio), "meadow", "icon_eu")
    assert abs(few.factors["wind"] - 1) <= abs(many.factors["wind"] - 1) + 0.01
    assert abs(many.factors["wind"] - 1) <= abs(ratio - 1) + 0.01
    assert verification.FACTOR_RANGE[0] <= few.factors["wind"] <= verification.FACTOR_RANGE[1]
    if abs(ratio - 1) <= 0.2:
        assert few.factors["wind"] == pytest.approx(1 + 0.5 * (ratio - 1), abs=0.02)


def test_a_place_with_a_small_error_is_surer():
    found = verification.learn(make_pairs(200, error=0.8), "meadow", "icon_eu")
    assert found.error_factors["wind"] < 1
    assert verification.learn(make_pairs(200, error=5.0), "meadow", "icon_eu").error_factors["wind"] > 1


def test_a_correction_is_shown_and_missing_stays_missing():
    cube = quiet_cube()
    cube["wind_speed_of_gust"][3] = np.nan
    record = verification.learn(make_pairs(60, gust_ratio=1.2), "meadow", "icon_eu")
    corrected = verification.correct(cube, record)
    assert corrected.attrs["corrected"] == record.words
    assert "60 days" in record.words
    ratio = corrected["wind_speed_of_gust"] / cube["wind_speed_of_gust"]
    assert np.isnan(ratio[3])
    assert float(ratio[4]) == pytest.approx(record.factors["gust"])


def test_a_record_is_written_and_read(tmp_path):
    path = tmp_path / "records.toml"
    record = verification.learn(make_pairs(60, gust_ratio=1.2), "Oak meadow", "icon_eu")
    verification.save_record(path, record)
    verification.save_record(path, verification.learn(make_pairs(40), "other", "icon_eu"))
    found = verification.load_record(path, "Oak meadow")
    assert found.factors == pytest.approx(record.factors, abs=1e-4)
    assert found.days == record.days
    with pytest.raises(WxflyError, match="no record of nowhere"):
        verification.load_record(path, "nowhere")


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("model =", "modle =", "wanted"),
        ("gust = 60", "gust = 6", "fewer than 30 days"),
        ("[", "(", "not a TOML file"),
        ("wind = 1", "wind = 9", "not between"),
    ],
)
def test_a_record_with_a_fault_is_refused(tmp_path, old, new, told):
    path = tmp_path / "records.toml"
    verification.save_record(path, verification.learn(make_pairs(60), "meadow", "icon_eu"))
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(WxflyError, match=told):
        verification.load_record(path, "meadow")
