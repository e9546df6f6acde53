"""What a stranger would try: replies with something lost or damaged, from the bytes to judged hours, in one process.

The bases are one real reply, where it is at hand, and five invented ones (``recorded/SYNTHETIC_mutation_*.json``),
which ``python -m tests.mutations`` writes anew.
"""

import json
import math
from copy import deepcopy
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive
from wxfly.assessment.forecast_error import lead_time, room_to_limits
from wxfly.assessment.suitability import assess
from wxfly.errors import WxflyError
from wxfly.physics.air.humidity import relative_humidity_from_dew_point
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.probability.chance import hour_chances
from wxfly.probability.site_chance import judge_sureness
from wxfly.sources.open_meteo.reply import parse_forecast

HERE = Path(__file__).resolve().parent
BERLIN = HERE.parents[1] / "shared" / "data" / "replies" / "berlin_2021-11-24_168h.json"
LIMITS = limits_for(load_aircraft()["folding-quad-249g"])
START = datetime(2026, 6, 10, tzinfo=UTC)
BASES = ("calm", "storm", "jet", "fog", "winter")
HEIGHTS = {"jet": 120.0}
HEIGHT = 60.0


def make_reply(name, *, hours=36, start=START):
    """Build an invented reply of ICON-EU, of one kind of weather, whose columns agree with each other."""
    t = np.arange(hours)
    by_day = np.cos((t - 14) / 24 * 2 * math.pi)
    wiggle = 0.3 * np.sin(1.7 * t) + 0.2 * np.sin(0.6 * t)
    warmth, spread = {"fog": (6.0, 0.4), "winter": (-1.0, 1.5)}.get(name, (17.0, 9.0))
    air = warmth + (1.0 if name in ("fog", "winter") else 4.0) * by_day + 0.3 * wiggle
    dew_point = air - np.maximum(spread + (0.2 if name == "fog" else 1.0) * by_day + 0.2 * wiggle, 0.1)
    wind = 2.2 + 0.5 * by_day + wiggle
    gust_share, rain, code, cape, sight = 1.6, 0.0 * t, 1 + 0 * t, 10.0 + 0 * t, 30_000.0 - 4000 * np.abs(wiggle)
    if name == "storm":
        passing = np.exp(-(((t - 15) / 3.0) ** 2))
        wind, gust_share = wind + 7 * passing, 1.8
        rain = np.where(passing > 0.1, np.round(4 * passing, 1), 0.0)
        code = np.where(passing > 0.5, 95, np.where(passing > 0.1, 61, 2))
        cape, sight = 200 + 1600 * passing, sight - 22_000 * passing
    elif name == "fog":
        thick = (t % 24 < 8) | (t % 24 > 20)
        code, sight = np.where(thick, 45, 3), np.where(thick, 300.0, 6000.0) + 100 * np.abs(wiggle)
        wind = np.where(thick, 1.0, 2.0) + 0.3 * np.abs(wiggle)
    elif name == "winter":
        code = np.where((t > 6) & (t < 12), 66, 3)
        rain = np.where((t > 6) & (t < 12), 0.4, 0.0)
    jet = 11.0 * np.ones(hours) if name == "jet" else 0.0
    speeds = {10: wind, 80: 1.4 * wind + 0.2 * jet, 120: 1.5 * wind + jet, 180: 1.6 * wind + 0.3 * jet}
    freezing = 40 + np.maximum(air, 0.0) / 0.0065
    cloud = np.where(code > 2, 95, 25) + np.round(2 * wiggle)
    low = np.where(code > 44, 90, np.where(code > 2, 40, 0))
    sea = 1014 + 2 * by_day
    columns = {
        "temperature_2m": air, "dew_point_2m": dew_point,
        "relative_humidity_2m": 100 * relative_humidity_from_dew_point(air + 273.15, dew_point + 273.15),
        "surface_pressure": sea * np.exp(-9.80665 / 287.05 * 40 / (air + 273.15)), "pressure_msl": sea,
        "precipitation": rain, "precipitation_probability": np.where(rain > 0, 80, 5 + np.round(2 * wiggle)),
        "weather_code": code, "cloud_cover": cloud, "cloud_cover_low": low, "cloud_cover_mid": 0 * t,
        "cloud_cover_high": 0 * t, "visibility": sight, "wind_gusts_10m": gust_share * wind, "cape": cape,
        "convective_inhibition": 0 * t, "freezing_level_height": freezing,
    }  # fmt: skip
    for height, speed in speeds.items():
        columns |= {
            f"wind_speed_{height}m": speed,
            f"wind_direction_{height}m": (230 + 10 * wiggle + height / 10) % 360,
        }
    columns |= {f"temperature_{height}m": air - 0.0065 * height + 0.05 * wiggle for height in (80, 120, 180)}
    units = {key: _unit(key) for key in columns}
    empty = ("lifted_index", "boundary_layer_height", "roughness_length")
    written = {key: [round(float(v), 2) for v in np.asarray(column, dtype=float)] for key, column in columns.items()}
    first = int(start.timestamp())
    return {
        "_source": "SYNTHETIC: invented, of no place and no day", "latitude": 52.25, "longitude": 6.8125,
        "utc_offset_seconds": 0, "elevation": 40.0,
        "hourly_units": {"time": "unixtime", **units, **dict.fromkeys(empty, "undefined")},
        "hourly": {
            "time": [first + 3600 * i for i in range(hours)], **written, **{key: [None] * hours for key in empty},
        },
    }  # fmt: skip


def _unit(key):
    table = {
        "temperature": "°C", "dew": "°C", "relative": "%", "surface": "hPa", "pressure": "hPa", "cloud": "%",
        "weather": "wmo code", "visibility": "m", "cape": "J/kg", "convective": "J/kg",
        "freezing": "m",
    }  # fmt: skip
    if key.startswith("wind"):
        return "°" if "direction" in key else "m/s"
    if key == "precipitation":
        return "mm"
    return table.get(key.split("_")[0], "%")


def load_base(name):
    """Return a base by its name, as the file has it; Berlin's is real."""
    path = BERLIN if name == "berlin" else HERE / "recorded" / f"SYNTHETIC_mutation_{name}.json"
    return json.loads(path.read_text(encoding="utf-8"))


def read(document, model="icon_eu"):
    """Read a reply as a saved one."""
    return parse_forecast(json.dumps(document).encode(), model=model, asked_units=False, what="a mutation")


@dataclass
class Judged:
    """Judged hours: state, margin, chance by hour, and the rank of the best window."""

    time: np.ndarray
    state: np.ndarray
    margin: np.ndarray
    chance: np.ndarray
    rank: tuple | None


def judge(cube, height=HEIGHT):
    """Judge the hours of a cube."""
    conditions = derive(cube, height=height)
    assessment = assess(conditions, LIMITS)
    time = assessment["time"].values
    run = cube["oldest_run"].values.astype("datetime64[s]")
    names = ("wind_standard_deviation", "gust_standard_deviation", "precipitation_probability")
    wind, gust, rain = (conditions[n].max("edge", skipna=False) for n in names)
    room = room_to_limits(
        assessment, lead_time(time, run), height_deviation=wind, gust_deviation=gust, precipitation_probability=rain
    )
    windows = find_windows(assessment, minimum_duration=np.timedelta64(60, "m"))
    rank = windows[0].rank[:3] if windows else None
    return Judged(time, assessment["state"].values, assessment["hour_margin"].values, hour_chances(room).values, rank)


def improvements(before, after):
    """Say what a mutation made better; hours are matched by their time."""
    _, old, new = np.intersect1d(before.time, after.time, return_indices=True)

    def larger(name):
        one, other = (
            np.nan_to_num(getattr(j, name)[at].astype(float), nan=-9e9) for j, at in ((before, old), (after, new))
        )
        return other > one + 1e-9

    found = [
        f"better {name} at {str(after.time[new][bad][0])[:13]}"
        for name in ("state", "margin", "chance")
        if (bad := larger(name)).any()
    ]
    if after.rank is not None and (before.rank is None or after.rank < before.rank):
        found.append("better rank")
    return found


# --- mutations -------------------------------------------------------------------------------------------------


def _value(document, random):
    key, column = _column_of(document, random)
    column[int(random.integers(len(column)))] = None
    return f"a value of {key}"


def _block(document, random):
    key, column = _column_of(document, random)
    first = int(random.integers(len(column)))
    last = min(len(column), first + int(random.integers(2, 30)))
    column[first:last] = [None] * (last - first)
    return f"{key}, {first} to {last}"


def _tail(document, random):
    key, column = _column_of(document, random)
    first = int(random.integers(len(column)))
    column[first:] = [None] * (len(column) - first)
    return f"{key} from {first} on"


def _null_column(document, random):
    key, column = _column_of(document, random)
    column[:] = [None] * len(column)
    return f"{key}, all null"


def _undefined(document, random):
    key, column = _column_of(document, random)
    column[:] = [None] * len(column)
    document["hourly_units"][key] = "undefined"
    return f"{key} undefined"


def _no_column(document, random):
    key, _ = _column_of(document, random)
    del document["hourly"][key]
    return f"{key} without its column"


def _neither(document, random):
    key, _ = _column_of(document, random)
    if key in NEVER_MISSED:
        return _undefined(document, random)
    del document["hourly"][key]
    document["hourly_units"].pop(key)
    return f"{key} left out"


def _no_unit(document, random):
    key, _ = _column_of(document, random)
    document["hourly_units"].pop(key)
    return f"{key} without its unit"


def _level(document, random):
    height = _level_of(document, random)
    way = int(random.integers(3))
    for key in [
        k
        for k in document["hourly"]
        if k.startswith(("wind", "temp")) and k.endswith(f"_{height}m") and "gust" not in k
    ]:
        if way == 0:
            document["hourly"][key] = [None] * len(document["hourly"][key])
        else:
            document["hourly_units"][key] = "undefined"
            document["hourly"][key] = [None] * len(document["hourly"][key])
        if way == 2 and key.startswith("wind"):
            del document["hourly"][key], document["hourly_units"][key]
    return f"the level {height} m, way {way}"


def _metadata(document, random):
    keys = [k for k in document if k not in ("hourly", "hourly_units")]
    key = keys[int(random.integers(len(keys)))]
    if random.integers(2):
        del document[key]
    else:
        document[key] = None
    return f"{key} lost"


def _last_hours(document, random):
    count = int(random.integers(1, len(document["hourly"]["time"]) - 3))
    document["hourly"] = {key: column[:-count] for key, column in document["hourly"].items()}
    return f"the last {count} hours cut off"


def _hour(document, random):
    at = int(random.integers(len(document["hourly"]["time"])))
    for key, column in document["hourly"].items():
        if key != "time":
            column[at] = None
    return f"hour {at}, all columns"


LOSSES = (
    *[_value] * 6, *[_block] * 4, _tail, _null_column, *[_undefined] * 3, _no_column, _neither, _no_unit, *[_level] * 2,
    _metadata, _last_hours, _hour,
)  # fmt: skip
# A saved reply that leaves these out whole may never have been asked for them: they are told as not known, and nothing
# tells such a reply from one that was cut.
NEVER_MISSED = (
    "visibility", "cape", "lifted_index", "freezing_level_height", "boundary_layer_height", "roughness_length",
    "precipitation_probability", "surface_pressure", "cloud_cover_mid", "cloud_cover_high", "temperature_80m",
    "temperature_120m", "temperature_180m",
)  # fmt: skip


def _column_of(document, random):
    keys = [k for k in document["hourly"] if k != "time" and k in document["hourly_units"]]
    key = keys[int(random.integers(len(keys)))]
    return key, document["hourly"][key]


def _level_of(document, random):
    heights = [10, 80, 120, 180]
    return heights[int(random.integers(len(heights)))]


@dataclass
class Tally:
    """How many mutations were tried, refused, and made something better."""

    tried: int = 0
    refused: int = 0
    better: tuple = ()


def try_losses(name, count, seed, *, height=None):
    """Lose things of a base, one or two at a time, and tell what got better."""
    base = load_base(name)
    model = None if name == "berlin" else "icon_eu"
    height = HEIGHTS.get(name, HEIGHT) if height is None else height
    before = judge(read(base, model), height)
    random, tally = np.random.default_rng(seed), Tally()
    for _ in range(count):
        document = deepcopy(base)
        words = []
        for _ in range(1 + int(random.integers(2))):
            words.append(LOSSES[int(random.integers(len(LOSSES)))](document, random))
        tally.tried += 1
        try:
            after = judge(read(document, model), height)
        except WxflyError:
            tally.refused += 1
            continue
        if found := improvements(before, after):
            tally.better += (f"{name}: {' and '.join(words)}: {'; '.join(found)}",)
    return tally


# --- members ---------------------------------------------------------------------------------------------------


def make_ensemble(calm=30, stormy=10, *, hours=36, hours_lost=None):
    """Build an invented reply of 40 members of ICON-EU-EPS; the stormy ones are lost wholly, or from an hour on."""
    columns, units = {"time": make_reply("calm", hours=hours)["hourly"]["time"]}, {"time": "unixtime"}
    names = (
        "temperature_2m", "dew_point_2m", "relative_humidity_2m", "precipitation", "cloud_cover", "weather_code",
        "wind_gusts_10m", "wind_speed_10m", "wind_direction_10m", "wind_speed_80m", "wind_direction_80m",
    )  # fmt: skip
    for member in range(calm + stormy):
        is_stormy = member >= calm
        source = make_reply("storm" if is_stormy else "calm", hours=hours)
        for key in names:
            column = (
                [v if v is None else round(v * (1 + 0.002 * member), 3) for v in source["hourly"][key]]
                if "wind_speed" in key or "gust" in key
                else source["hourly"][key]
            )
            if is_stormy and hours_lost is not None:
                column = [*column[:hours_lost], *[None] * (hours - hours_lost)]
            if is_stormy and hours_lost == 0:
                continue
            written = key if member == 0 else f"{key}_member{member:02d}"
            columns[written], units[written] = column, source["hourly_units"][key]
    place = make_reply("calm", hours=hours)
    return {k: place[k] for k in ("latitude", "longitude", "elevation", "utc_offset_seconds")} | {
        "hourly": columns,
        "hourly_units": units,
    }


def judge_members(document=None, **how):
    """Return the chance of a window of six hours, and of every hour, by members."""
    from wxfly.sources.open_meteo.ensemble import parse_ensemble

    document = make_ensemble(**how) if document is None else document
    cube = parse_ensemble(json.dumps(document).encode(), model="icon_eu_eps")[0]
    central = read(load_base("calm"))
    conditions = derive(central, height=HEIGHT)
    assessment = assess(conditions, LIMITS)
    run = central["oldest_run"].values.astype("datetime64[s]")
    site = Site("here", 52.25, 6.8125, 40.0)
    sure = judge_sureness(
        conditions, assessment, run, height=HEIGHT, site=site, limits=LIMITS, central=central, ensembles=[cube]
    )
    return sure.of(12, 18, with_causes=False).value, sure.hours.values


def main():
    for name in BASES:
        path = HERE / "recorded" / f"SYNTHETIC_mutation_{name}.json"
        path.write_text(json.dumps(make_reply(name), ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
