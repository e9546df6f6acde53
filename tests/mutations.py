"""What a stranger would try: replies with something lost or damaged, from the bytes to judged hours, in one process.

The bases are one real reply, where it is at hand, and five invented ones (``recorded/SYNTHETIC_mutation_*.json``),
which ``python -m tests.mutations`` writes anew.
"""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import xarray as xr

from wxfly.answer.windows import find_windows
from wxfly.assessment.conditions import derive, hours_of
from wxfly.assessment.forecast_error import MEMBER, default_error_law, lead_time, standard_margins
from wxfly.assessment.suitability import JUDGED, REQUIRED, assess
from wxfly.cube.age import hide_stale, since_of
from wxfly.cube.contract import VARIABLES, provided_entries
from wxfly.errors import WxflyError
from wxfly.physics.air.atmosphere import relative_humidity_from_dew_point
from wxfly.pilot.aircraft import load_aircraft
from wxfly.pilot.elements import ELEMENTS
from wxfly.pilot.limits import limits_for
from wxfly.pilot.site import Site
from wxfly.probability.chance import REACH, SHIFT, hour_chances, with_timing
from wxfly.probability.site_chance import add_jets, below_jets, judge_site_chance
from wxfly.sources.open_meteo.ensemble import parse_ensemble
from wxfly.sources.open_meteo.reply import _finish, _parse_place, parse_forecast
from wxfly.units import UNITS

HERE = Path(__file__).resolve().parent
BERLIN = HERE.parents[1] / "shared" / "data" / "replies" / "berlin_2021-11-24_168h.json"
LIMITS = limits_for(load_aircraft()["camera-quad-250g"])
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


def run_of(cube):
    """Return from when the lead time counts."""
    return cube["oldest_run"].values.astype("datetime64[s]")


def read(document, model="icon_eu"):
    """Read a reply as a saved one."""
    return parse_forecast(json.dumps(document).encode(), model=model, asked_units=False, what="a mutation")


@dataclass
class Judged:
    """Judged hours: state, margin and chance by hour, and the rank of the best window."""

    time: np.ndarray
    state: np.ndarray
    margin: np.ndarray
    chance: np.ndarray
    rank: tuple | None


def judge(cube, height=HEIGHT, *, now=None):
    """Judge the hours of a cube as an answer does, as of a moment or whatever its age."""
    if now is not None:
        cube = hide_stale(cube, now, since=since_of(cube))[0]
    conditions = derive(cube, height=height)
    assessment = assess(conditions, LIMITS)
    site = Site("here", float(cube["latitude"]), float(cube["longitude"]), float(cube["surface_altitude"]))
    sure = judge_site_chance(
        conditions, assessment, run_of(cube), height=height, site=site, limits=LIMITS, central=cube
    )
    rank = _rank(assessment)
    time, state, margin = (assessment[name].values for name in ("time", "state", "hour_margin"))
    return Judged(time, state, margin, sure.hours.values, rank)


def _rank(assessment):
    windows = find_windows(assessment, minimum_duration=np.timedelta64(60, "m"))
    return windows[0].rank[:3] if windows else None


def judge_side_by_side(cube, height, now):
    """Judge forecasts that lie along ``realization`` without being an ensemble, each as `judge` does by itself.

    All that is of one hour is worked out at once; `tests/test_mutations.py` holds it against `judge`.
    """
    cube = hide_stale(cube, now, since=since_of(cube))[0]
    hours = hours_of(cube)
    site = Site("here", *(float(np.ravel(cube[n])[0]) for n in ("latitude", "longitude", "surface_altitude")))
    conditions = add_jets(derive(hours, height=height), hours, height, site, LIMITS)
    assessment = assess(conditions, LIMITS)
    time, count = assessment["time"].values, assessment.sizes[MEMBER]
    lead = lead_time(time, run_of(cube))
    law = default_error_law().of_forecast((str(cube.attrs["model"]),), height, 1)
    long_time = np.repeat(time, count)

    def along(variable, *dims):
        values = variable.transpose(*dims, "time", MEMBER).values
        return xr.DataArray(values.reshape(*values.shape[:-2], -1), dims=(*dims, "time"))

    flags = {name: assessment[name] for name in (REQUIRED, JUDGED)}
    rows = {name: along(assessment[name], "element") for name in ("demand", "limit", "margin", "lost")}
    row = xr.Dataset(rows, coords={"time": long_time, **flags})
    given = {
        key: along(conditions[name].max("edge", skipna=False))
        for key, name in (
            ("height_deviation", "wind_standard_deviation"),
            ("gust_deviation", "gust_standard_deviation"),
            ("precipitation_rate", "forecast_precipitation_rate"),
            ("precipitation_probability", "precipitation_probability"),
        )
    }
    chances = {e.name: along(conditions[e.chance].max("edge", skipna=False)) for e in ELEMENTS if e.chance}
    room = standard_margins(row, np.repeat(lead, count), law=law, chances=chances, **given)
    values = room.values.reshape(room.sizes["element"], time.size, count)
    shaped = xr.DataArray(values, dims=("element", "time", MEMBER))
    values = below_jets(shaped, conditions.max("edge", skipna=False)).values
    values = np.pad(
        values, ((0, 0), (REACH, REACH), (0, 0)), constant_values=np.nan
    )  # beyond its ends it knows nothing
    hour = np.timedelta64(1, "h")
    stamps = time[0] + np.arange(-REACH, time.size + REACH) * hour
    coords = {"element": room["element"].values, "time": stamps}
    timed = with_timing(xr.DataArray(values, dims=("element", "time", MEMBER), coords=coords), lead, law)
    flat = timed.values.reshape(*timed.shape[:2], -1, 1)
    chances = np.repeat(timed["shift_chance"].values, count, axis=1)
    coords = {
        SHIFT: timed[SHIFT].values,
        "element": room["element"].values,
        "time": long_time,
        "shift_chance": ((SHIFT, "time"), chances),
    }
    room = xr.DataArray(flat, dims=(SHIFT, "element", "time", MEMBER), coords=coords)
    chance = hour_chances(room, law=law).values.reshape(time.size, count)
    taken = ("margin", "hour_margin", "limiting_element", "state", "advised_unknown", "usable_start", "usable_end")
    plain = {name: assessment[name].transpose("element" if name == "margin" else "time", ..., MEMBER) for name in taken}
    axes = {name: variable.dims[:-1] for name, variable in plain.items()}
    values = {name: variable.values for name, variable in plain.items()}
    coords = {"time": time, "element": assessment["element"].values, **flags}
    ranks, known = [], {}
    for at in range(count):
        key = b"".join(values[name][..., at].tobytes() for name in ("margin", "state", "advised_unknown"))
        if key not in known:
            one = {name: (axes[name], values[name][..., at]) for name in taken}
            known[key] = _rank(xr.Dataset(one, coords=coords))
        ranks.append(known[key])
    return [
        Judged(time, values["state"][:, at], values["hour_margin"][:, at], chance[:, at], ranks[at])
        for at in range(count)
    ]


def improvements(before, after):
    """Say what a mutation made better; hours are matched by their time."""
    if np.array_equal(before.time, after.time):
        old = new = slice(None)
    else:
        _, old, new = np.intersect1d(before.time, after.time, return_indices=True)
    found = []
    for name in ("state", "margin", "chance"):
        one, other = (
            np.nan_to_num(getattr(j, name)[at].astype(float), nan=-9e9) for j, at in ((before, old), (after, new))
        )
        if (bad := other > one + 1e-9).any():
            found.append(f"better {name} at {str(after.time[new][bad][0])[:13]}")
    if after.rank is not None and (before.rank is None or after.rank < before.rank):
        found.append("better rank")
    return found


# --- mutations -------------------------------------------------------------------------------------------------

# A saved reply that leaves these out whole may never have been asked for them: they are told as not known, and nothing
# tells such a reply from one that was cut.
NEVER_MISSED = (
    "visibility", "cape", "lifted_index", "freezing_level_height", "boundary_layer_height", "roughness_length",
    "precipitation_probability", "surface_pressure", "cloud_cover_mid", "cloud_cover_high", "temperature_80m",
    "temperature_120m", "temperature_180m", "convective_inhibition",
)  # fmt: skip
LEVELS = (10, 80, 120, 180)
QUANTITIES = {name: u.quantity for u in UNITS.values() for name in (u.symbol, u.written, *u.spellings)}
OTHER_UNITS = ("km/h", "mp/h", "kn", "m/s", "°F", "K", "°C", "hPa", "Pa", "kPa", "inch", "mm", "ft", "m", "%")


@dataclass(frozen=True)
class Loss:
    """One way to lose or damage something of a reply; it leaves the reply that it is given as it was."""

    words: str
    apply: Callable[[dict], dict]

    def __call__(self, document):
        """Return the reply with the loss."""
        return self.apply(document)


def changed(document, columns=None, units=None, **metadata):
    """Return a reply with other columns, units and metadata; `GONE` takes away."""

    def merged(whole, part):
        return {key: value for key, value in {**whole, **(part or {})}.items() if value is not GONE}

    hourly, of_hours = merged(document["hourly"], columns), merged(document["hourly_units"], units)
    return merged(document, metadata) | {"hourly": hourly, "hourly_units": of_hours}


GONE = object()


def lose_hours(key, first, last):
    """Lose the values of a column in some hours."""

    def apply(document):
        column = document["hourly"].get(key)
        if not isinstance(column, list):
            return document
        lost = [None] * len(column[first:last])
        return changed(document, {key: [*column[:first], *lost, *column[first + len(lost) :]]})

    return Loss(f"{key}, {first} to {last}", apply)


def lose_column(key, way):
    """Lose a column, or its unit, in some way."""

    def apply(document):
        if way in ("empty", "undefined"):
            column = [None] * len(document["hourly"]["time"])
            return changed(document, {key: column}, {key: "undefined"} if way == "undefined" else None)
        if way == "values without unit":
            return changed(document, None, {key: "undefined"})
        if way in ("without its unit", "unit null"):
            return changed(document, None, {key: GONE if way == "without its unit" else None})
        if way in ("one short", "one long"):
            column = list(document["hourly"].get(key) or [])
            return changed(document, {key: column[:-1] if way == "one short" else [*column, None]})
        return changed(document, {key: GONE}, {key: GONE} if way == "neither" else None)

    return Loss(f"{key} {way}", apply)


COLUMN_WAYS = (
    "empty", "undefined", "values without unit", "without its unit", "unit null", "one short", "one long",
    "without its column", "neither",
)  # fmt: skip


def lose_level(height, way, first=0, last=None):
    """Lose wind and temperature of a level."""

    def apply(document):
        of_level = [f"{name}_{height}m" for name in ("wind_speed", "wind_direction", "temperature")]
        for key in (k for k in of_level if k in document["hourly"]):
            is_wind = key.startswith("wind")
            if way == "null":
                document = lose_hours(key, first, last)(document)
            else:
                gone = way == "gone" and is_wind
                document = lose_column(key, "neither" if gone else "undefined")(document)
        return document

    return Loss(f"the level {height} m {way} from {first}", apply)


def change_unit(key, unit):
    """Call the unit of a column another one, its values left as they are."""
    return Loss(f"{key} in {unit}", lambda document: changed(document, None, {key: unit}))


def lose_metadata(key, value):
    """Lose a field beside the hours."""
    told = "gone" if value is GONE else repr(value)
    return Loss(f"{key} {told}", lambda document: changed(document, **{key: value}))


def cut_hours(first, last):
    """Leave hours out at the ends, of every column."""
    return Loss(
        f"hours from {first} to {last} only",
        lambda document: changed(document, {k: c[first:last] for k, c in document["hourly"].items()}),
    )


def lose_hour(at):
    """Lose one hour of every column."""

    def apply(document):
        for key in (k for k in document["hourly"] if k != "time"):
            document = lose_hours(key, at, at + 1)(document)
        return document

    return Loss(f"hour {at} of all columns", apply)


def damage_time(at, way):
    """Damage the hours themselves."""

    def apply(document):
        time = list(document["hourly"]["time"])
        if way == "null":
            time[at] = None
        elif way == "twice":
            time[at] = time[at - 1]
        elif way == "swapped":
            time[at - 1], time[at] = time[at], time[at - 1]
        else:
            return changed(document, {k: [*c[:at], *c[at + 1 :]] for k, c in document["hourly"].items()})
        return changed(document, {"time": time})

    return Loss(f"hour {at} {way}", apply)


def wide_losses(base):
    """List every loss of a column, a unit, a level, a field beside the hours, and of hours as a whole."""
    keys = [key for key in base["hourly"] if key != "time"]
    hours = len(base["hourly"]["time"])
    losses = [
        lose_column(key, way) for key in keys for way in COLUMN_WAYS if way != "neither" or key not in NEVER_MISSED
    ]
    for key in keys:
        unit = base["hourly_units"][key]
        losses += [
            change_unit(key, other)
            for other in OTHER_UNITS
            if other != unit and QUANTITIES.get(other) == QUANTITIES.get(unit, "")
        ]
        losses += [change_unit(key, "furlongs"), lose_hours(key, 0, hours // 2), lose_hours(key, hours // 2, hours)]
    losses += [lose_level(height, way) for height in LEVELS for way in ("null", "undefined", "gone")]
    losses += [lose_level(height, "null", hours // 2, hours) for height in LEVELS]
    fields = [key for key in base if key not in ("hourly", "hourly_units")]
    losses += [lose_metadata(key, value) for key in fields for value in (GONE, None, "damaged", -9999.0, [])]
    losses += [lose_metadata(key, value) for key in ("hourly", "hourly_units") for value in (GONE, None, {})]
    losses += [
        damage_time(at, way) for at in (1, hours // 2, hours - 2) for way in ("null", "twice", "swapped", "gone")
    ]
    losses += [cut_hours(0, last) for last in (4, hours // 2, hours - 1)]
    # Whole days off the front leave a reply that began later: nothing tells it from one that was asked for later.
    return losses + [cut_hours(first, hours) for first in (1, 5, hours // 2 - 1) if first % 24]


def narrow_losses(base):
    """List every loss of a single value, and of an hour of all columns."""
    hours = len(base["hourly"]["time"])
    keys = [key for key in base["hourly"] if key != "time"]
    losses = [lose_hours(key, at, at + 1) for key in keys for at in range(hours) if base["hourly"][key][at] is not None]
    return losses + [lose_hour(at) for at in range(hours)]


def a_block(base, random):
    """Return the loss of some hours in a row of a column or a level, of length and place at random."""
    keys = [key for key in base["hourly"] if key != "time"]
    hours = len(base["hourly"]["time"])
    first = int(random.integers(hours))
    last = min(hours, first + int(random.integers(2, 30)))
    if random.integers(6) == 0:
        return lose_level(LEVELS[int(random.integers(len(LEVELS)))], "null", first, last)
    return lose_hours(keys[int(random.integers(len(keys)))], first, last)


def losses_of(base, count, seed, refused=frozenset()):
    """Give so many losses, each of one thing or of two.

    Those of a whole thing come first, all of them where there is room; of the rest a quarter are single values (all
    of them where there is room), a quarter are blocks of hours, and the others are pairs. What was refused by itself
    teaches little in a pair: its words are in `refused` by then.
    """
    random = np.random.default_rng(seed)
    wide, narrow = wide_losses(base), narrow_losses(base)
    chosen = wide if len(wide) <= count // 2 else [wide[i] for i in random.choice(len(wide), count // 2, replace=False)]
    quarter = (count - len(chosen)) // 4
    singles = [narrow[i] for i in random.permutation(len(narrow))[:quarter]]
    yield from chosen
    yield from singles
    yield from (a_block(base, random) for _ in range(quarter))
    taken = [loss for loss in chosen if loss.words not in refused]
    for _ in range(count - len(chosen) - len(singles) - quarter):
        one, other = (_any_of(taken, narrow, base, random) for _ in range(2))
        yield Loss(f"{one.words} and {other.words}", lambda d, one=one, other=other: other(one(d)))


def _any_of(wide, narrow, base, random):
    way = int(random.integers(3))
    if way == 0:
        return a_block(base, random)
    of = wide if way == 1 else narrow
    return of[int(random.integers(len(of)))]


@dataclass
class Tally:
    """How many mutations were tried and refused, how many changed nothing, and what became better."""

    tried: int = 0
    refused: int = 0
    equal: int = 0
    better: tuple = ()


MOST_AT_ONCE = 200


def try_losses(name, count, seed, *, height=None):
    """Lose things of a base, one or two at a time, and tell what got better."""
    base = load_base(name)
    model = None if name == "berlin" else "icon_eu"
    height = HEIGHTS.get(name, HEIGHT) if height is None else height
    whole = read(base, model)
    now = whole["time"].values[0].astype("datetime64[s]")
    before = judge_base(base, model, height, now)
    tally, waiting, refused = Tally(), {}, set()
    for loss in losses_of(base, count, seed, refused):
        tally.tried += 1
        try:
            parsed = parse_alone(loss(base), model)
            _check_magnitudes(parsed)
        except WxflyError:
            tally.refused += 1
            refused.add(loss.words)
            continue
        alike = waiting.setdefault(_shape_of(parsed), [])
        alike.append((loss, parsed))
        if len(alike) == MOST_AT_ONCE:
            _judge_alike(name, alike, before, (height, now), tally)
            alike.clear()
    for alike in waiting.values():
        _judge_alike(name, alike, before, (height, now), tally)
    return tally


def parse_alone(document, model):
    """Parse a reply up to where it can lie beside others."""
    return _parse_place(document, model, None, (), "a mutation")


def judge_base(base, model, height, now):
    """Judge a reply as it is, by the same way as those beside it."""
    return judge_side_by_side(side_by_side([parse_alone(base, model)]), height, now)[0]


def _check_magnitudes(parsed):
    """Refuse what the contract refuses, before it lies beside others, whom the refusal would hit too."""
    for name, row in ((str(name), VARIABLES[str(name)]) for name in parsed.data_vars):
        values = parsed.variables[name].values
        if ((values < row.lowest) | (values > row.highest)).any():
            raise WxflyError(f"{name} is outside its magnitudes")


def _shape_of(parsed):
    """Return what replies must have in common to lie in one cube: their hours, place, and what they carry."""
    beside = (float(parsed[n]) for n in ("latitude", "longitude", "surface_altitude"))
    return (
        str(parsed["provided"].values),
        parsed["time"].values.tobytes(),
        str(parsed["day_began"].values),
        *map(str, beside),
    )


def _judge_alike(name, alike, before, how, tally):
    if not alike:
        return
    try:
        judged = judge_side_by_side(side_by_side([parsed for _, parsed in alike]), *how)
    except WxflyError:
        if len(alike) == 1:
            tally.refused += 1
            return
        for half in (alike[: len(alike) // 2], alike[len(alike) // 2 :]):
            _judge_alike(name, half, before, how, tally)
        return
    for (loss, _), after in zip(alike, judged, strict=True):
        if found := improvements(before, after):
            tally.better += (f"{name}: {loss.words}: {'; '.join(found)}",)
        elif all(
            np.shape(getattr(before, part)) == np.shape(getattr(after, part))
            and np.allclose(getattr(before, part), getattr(after, part), rtol=0, atol=1e-9, equal_nan=True)
            for part in ("state", "margin", "chance")
        ):
            tally.equal += 1


def side_by_side(parts):
    """Put replies as they were parsed, alike in hours, place and what they carry, along ``realization``."""
    first = parts[0]
    entries = provided_entries(first)
    heights = sorted({float(h) for _, *of_name in entries for h in of_name})
    hours, data = first.sizes["time"], {}
    for name in [entry[0] for entry in entries]:
        has_height = VARIABLES[name].has_height
        stacked = np.full((hours, len(parts), len(heights)) if has_height else (hours, len(parts)), np.nan)
        for at, part in enumerate(parts):
            if name in part.variables:
                values = part.variables[name].values
                if has_height:
                    stacked[:, at, np.searchsorted(heights, part.variables["height"].values)] = values
                else:
                    stacked[:, at] = values
        data[name] = (("time", MEMBER, "height") if has_height else ("time", MEMBER), stacked)
    kept = {name: first[name] for name in ("time", "latitude", "longitude", "surface_altitude", "day_began")}
    coords = {**kept, MEMBER: np.arange(len(parts))} | ({"height": heights} if heights else {})
    cube = xr.Dataset(data, coords=coords, attrs=first.attrs)
    return _finish(cube, None, None, None, "a mutation")


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


@cache
def _central():
    """Return the one forecast beside the members, and its hours."""
    cube = read(load_base("calm"))
    conditions = derive(cube, height=HEIGHT)
    return cube, conditions, assess(conditions, LIMITS)


def judge_members(document=None, **how):
    """Return the chance of a window of six hours, and of every hour, by members."""
    document = make_ensemble(**how) if document is None else document
    cube = parse_ensemble(json.dumps(document).encode(), model="icon_eu_eps")[0]
    central, conditions, assessment = _central()
    site = Site("here", 52.25, 6.8125, 40.0)
    sure = judge_site_chance(
        conditions, assessment, run_of(central), height=HEIGHT, site=site, limits=LIMITS, central=central,
        ensembles=[cube],
    )  # fmt: skip
    return sure.of(12, 18, with_causes=False).value, sure.hours.values


def _keys_of(document, random, way):
    """Choose columns of an ensemble: one, all of a member, or one name of every member."""
    keys = [key for key in document["hourly"] if key != "time"]
    key = keys[int(random.integers(len(keys)))]
    name, _, member = key.partition("_member")
    if way == "one":
        return [key]
    if way == "a name":
        return [k for k in keys if k.partition("_member")[0] == name]
    return [k for k in keys if k.partition("_member")[2] == member]


def lose_of_members(document, random):
    """Return a reply that has lost something of its members, and words for it."""
    which = ("one", "a member", "a name", "some members")[int(random.integers(4))]
    way = ("hours", "tail", "empty", "undefined", "without its unit", "neither")[int(random.integers(6))]
    if which == "a name" and way not in ("hours", "tail"):
        way = "empty"  # without a unit nothing tells it from what the ensemble does not carry
    chosen = _keys_of(document, random, which)
    if which == "some members":
        for _ in range(int(random.integers(1, 12))):
            chosen = [*chosen, *_keys_of(document, random, "a member")]
    hours = len(document["hourly"]["time"])
    first = int(random.integers(hours))
    last = hours if way == "tail" else min(hours, first + int(random.integers(1, 12)))
    for key in chosen:
        loss = lose_hours(key, first, last) if way in ("hours", "tail") else lose_column(key, way)
        document = loss(document)
    return document, f"{which} {way}, {chosen[0]}, {first} to {last}"


def try_members(count, seed):
    """Lose things of an ensemble, one or two at a time, and tell what got better."""
    base, random, tally = make_ensemble(calm=30, stormy=10), np.random.default_rng(seed), Tally()
    window, hours = judge_members(base)
    for _ in range(count):
        document, words = lose_of_members(base, random)
        if random.integers(2):
            document, more = lose_of_members(document, random)
            words = f"{words} and {more}"
        tally.tried += 1
        try:
            poorer_window, poorer_hours = judge_members(document)
        except WxflyError:
            tally.refused += 1
            continue
        bad = np.nan_to_num(poorer_hours, nan=-1.0) > hours + 1e-9
        if np.nan_to_num(poorer_window, nan=-1.0) > window + 1e-9 or bad.any():
            at = f", hour {np.flatnonzero(bad)[0]}" if bad.any() else ""
            tally.better += (f"{words}: {window:.4f} to {poorer_window:.4f}{at}",)
        elif np.array_equal(poorer_hours, hours, equal_nan=True):
            tally.equal += 1
    return tally


def main():
    for name in BASES:
        path = HERE / "recorded" / f"SYNTHETIC_mutation_{name}.json"
        path.write_text(json.dumps(make_reply(name), ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
