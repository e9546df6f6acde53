"""How sure an answer is: members through the chain, what an ensemble lacks, models side by side, the surest hours."""

from functools import cache

import numpy as np
import pytest

from tests.cubes import QUIET, lost_of_members, quiet_cube
from tests.halves import spread
from tests.probability.test_chance import LIMITS, members_cube
from wxfly.answer.windows import find_outlooks, find_surest
from wxfly.assessment.conditions import derive
from wxfly.assessment.suitability import assess
from wxfly.cube.contract import with_lost_members
from wxfly.cube.notes import NoteKind
from wxfly.pilot.site import Site
from wxfly.probability.chance import kind_of
from wxfly.probability.site_chance import as_members, judge_site_chance, with_what_is_missing

SITE = Site("here", 52.0, 6.0, surface_altitude=30.0, time_zone="Europe/Amsterdam")
RUN = np.datetime64("2026-06-10T00")


def judge(cube, ensembles=(), **options):
    conditions = derive(cube, height=60.0)
    assessment = assess(conditions, LIMITS)
    site_chance = judge_site_chance(
        conditions, assessment, RUN, height=60.0, site=SITE, limits=LIMITS, central=cube, ensembles=ensembles, **options
    )
    return site_chance, assessment


def test_one_forecast_alone_is_marked_as_weaker():
    site_chance, _ = judge(quiet_cube())
    assert site_chance.is_weak
    assert site_chance.members == 1
    assert site_chance.band is None
    assert site_chance.of(9, 11).is_weak


def test_an_ensemble_is_not():
    site_chance, _ = judge(quiet_cube(), [members_cube(21)])
    assert not site_chance.is_weak
    assert (site_chance.members, site_chance.margin.shape) == (21, (24, 21))
    band = site_chance.band["wind_speed_of_gust"]
    assert band.dims == ("time", "share")
    assert (np.diff(band.values, axis=1) >= 0).all()


def test_what_an_ensemble_does_not_carry_is_taken_from_the_one_forecast():
    lacking = members_cube(11).drop_vars(["kp_index", "visibility_in_air"])
    lacking["provided"] = "; ".join(
        entry for entry in str(lacking["provided"].values).split("; ") if entry not in ("kp_index", "visibility_in_air")
    )
    cube = quiet_cube()
    filled = with_what_is_missing(lacking, cube)
    assert (filled["visibility_in_air"] == 40_000).all()
    assert "realization" not in filled["visibility_in_air"].dims
    whole, _ = judge(cube, [members_cube(11)])
    taken, _ = judge(cube, [lacking])
    assert taken.hours.values == pytest.approx(whole.hours.values)
    murky = quiet_cube()
    murky["visibility_in_air"] = murky["visibility_in_air"] * 0 + 3000.0
    assert (judge(murky, [lacking])[0].hours < taken.hours).all()


def test_nothing_at_heights_is_mixed():
    lacking = members_cube(5).drop_vars(["air_temperature_aloft"])
    assert "air_temperature_aloft" not in with_what_is_missing(lacking, quiet_cube())


def test_several_models_make_an_ensemble_of_their_own():
    calm, windy = quiet_cube(), quiet_cube()
    windy["wind_speed"] = windy["wind_speed"] + 9.0
    low = windy.sel(height=[10.0])
    low["provided"] = str(low["provided"].values).replace(" 10 80 120", " 10")
    site_chance, _ = judge(calm, [calm, low, calm])
    assert site_chance.members == 3
    assert site_chance.hours.max() <= 1 - 1 / 5 + 1e-9
    assert (site_chance.hours < judge(calm)[0].hours).all()
    assert as_members(calm).sizes["realization"] == 1


def test_two_ensembles_count_by_their_members():
    few, many = members_cube(5, spread=0.1), members_cube(40, spread=0.1)
    many["wind_speed"] = many["wind_speed"] + 8.0
    both, _ = judge(quiet_cube(), [few, many])
    assert both.members == 45
    assert both.hours.values.max() < 0.4


def test_missing_members_are_told():
    cube = with_lost_members(members_cube(18), 3).assign_attrs(model="gem_global_ensemble")
    site_chance, _ = judge(quiet_cube(), [cube])
    assert site_chance.notes == ("3 of 21 members of gem_global_ensemble did not come: they count as breaking a limit",)


def test_a_lost_member_leaves_a_chance_where_an_advised_element_is_known_to_none():
    members = members_cube(18).drop_vars("visibility_in_air")
    members["provided"] = str(members["provided"].values).replace("; visibility_in_air", "")
    cube = quiet_cube().drop_vars("visibility_in_air")
    cube["provided"] = str(cube["provided"].values).replace("; visibility_in_air", "")
    whole, _ = judge(cube, [members])
    lost, _ = judge(cube, [with_lost_members(members, 3)])
    assert np.isfinite(lost.hours[1:-1]).all()
    assert (lost.hours < whole.hours)[1:-1].all()
    assert not any(np.isnan(cause.sole_share) for cause in lost.of(9, 11).causes)


def _reported(change):
    members = members_cube(10).assign_attrs(model="an_ensemble")
    change(members)
    return judge(quiet_cube(), [members])[0].notes


def _hide(cube, name, members, hours):
    if "realization" in cube[name].dims:
        values = cube[name].transpose("time", "realization", ...).copy(deep=True)
        for member in members:
            values.values[hours, member] = np.nan
        cube[name] = values.transpose(*cube[name].dims)


def _hide_two(cube):
    _hide(cube, "wind_speed_of_gust", [3], slice(9, 11))
    _hide(cube, "wind_speed_of_gust", [5], slice(15, 18))


def _every(cube, member, first):
    for name in cube.data_vars:
        _hide(cube, name, [member], slice(first, None))


MEMBER_GAPS = {
    "nothing": (lambda cube: None, ""),
    "what all have lost": (lambda cube: _hide(cube, "wind_speed_of_gust", range(10), slice(9, 12)), ""),
    "a gust": (
        lambda cube: _hide(cube, "wind_speed_of_gust", [3], slice(9, 12)),
        "1 of 10 members of an_ensemble has no gust from 2026-06-10 10:00 to 13:00 CEST",
    ),
    "two gusts": (
        _hide_two,
        "2 of 10 members of an_ensemble have no gust in some hours from 2026-06-10 10:00 to 19:00 CEST",
    ),
    "one stops": (lambda cube: _every(cube, 4, 9), "1 of 10 members of an_ensemble stops at 2026-06-10 10:00 CEST"),
    "two stop": (
        lambda cube: (_every(cube, 2, 10), _every(cube, 4, 12)),
        "2 of 10 members of an_ensemble stop early, the first at 2026-06-10 11:00 CEST",
    ),
}


@pytest.mark.parametrize("which", MEMBER_GAPS)
def test_what_some_members_have_lost_is_told_with_its_hours(which):
    change, words = MEMBER_GAPS[which]
    notes = _reported(change)
    assert [note.rpartition(": ")[0] for note in notes] == ([words] if words else [])
    assert all(note.kind is NoteKind.MEMBERS for note in notes)


def test_the_surest_stretch_of_a_day():
    cube, members = quiet_cube(), members_cube(21)
    strong = np.where(np.isin(np.arange(25), (13, 14, 15)), 0.0, 6.0)
    for part in (cube, members):
        gust = part["wind_speed_of_gust"]
        part["wind_speed_of_gust"] = (gust + strong.reshape(-1, *([1] * (gust.ndim - 1)))).assign_attrs(gust.attrs)
    site_chance, assessment = judge(cube, [members])
    (outlook,) = find_outlooks(site_chance, assessment, np.timedelta64(90, "m"))
    assert outlook.start in (np.datetime64("2026-06-10T12"), np.datetime64("2026-06-10T13"))
    assert outlook.end - outlook.start == np.timedelta64(90, "m")
    assert outlook.chance.value == site_chance.of(outlook.first, outlook.last).value
    assert outlook.kind == kind_of(outlook.chance.value)
    assert find_outlooks(site_chance, assessment, np.timedelta64(20, "h")) == []


def test_the_surest_stretch_is_found_among_all():
    rng = np.random.default_rng(3)
    members = members_cube(15)
    gust = members["wind_speed_of_gust"]
    members["wind_speed_of_gust"] = (gust + rng.uniform(0, 4, (25, 1))).transpose(*gust.dims).assign_attrs(gust.attrs)
    site_chance, assessment = judge(quiet_cube(), [members])
    (outlook,) = find_outlooks(site_chance, assessment, np.timedelta64(60, "m"))
    lit = np.flatnonzero(assessment["usable_end"].values > assessment["usable_start"].values)
    full = [i for i in lit if assessment["usable_start"].values[i] == assessment["time"].values[i] and i < lit[-1]]
    assert outlook.chance.value >= max(site_chance.of(i, i).value for i in full) - 1e-9


def test_the_surest_stretch_within_a_window():
    site_chance, assessment = judge(quiet_cube(), [members_cube(15)])
    start, end = np.datetime64("2026-06-10T08:20"), np.datetime64("2026-06-10T11:00")
    surest = find_surest(site_chance, assessment, np.timedelta64(45, "m"), 8, 10, start=start, end=end)
    assert start <= surest.start
    assert surest.end <= end
    assert surest.end - surest.start == np.timedelta64(45, "m")
    assert surest.chance.value >= site_chance.of(8, 10).value
    assert find_surest(site_chance, assessment, np.timedelta64(3, "h"), 8, 10, start=start, end=end) is None


@pytest.mark.parametrize(
    ("chance", "word"),
    [(0.95, "firm"), (0.8, "firm"), (0.79, "open"), (0.4, "open"), (0.1, "faint"), (np.nan, "not known")],
)
def test_words(chance, word):
    assert kind_of(chance) == word


def _chance(cube, members):
    return np.nan_to_num(judge(cube, members)[0].hours.values, nan=-1.0)


@cache
def _whole():
    """Return the chances of each hour when nothing is lost: by members, and by the one forecast."""
    return _chance(quiet_cube(), [members_cube(7)]), _chance(quiet_cube(), [])


@pytest.mark.parametrize("name", spread(sorted(QUIET)[1::2], 12))
@pytest.mark.parametrize("whose", ["one member's", "all members'", "the one forecast's"])
def test_nothing_that_goes_missing_makes_an_hour_surer(name, whose):
    cube, members = quiet_cube(), members_cube(7)
    before, alone = _whole()
    if whose == "the one forecast's":
        cube = cube.assign({name: cube[name] * np.nan})
        assert (_chance(cube, []) <= alone + 1e-9).all()
        return
    lost = lost_of_members(members, name, 3 if whose == "one member's" else None)
    assert (_chance(cube, [lost]) <= before + 1e-9).all()
    dropped = members.drop_vars(name)
    if whose == "all members'":
        assert (_chance(cube.assign({name: cube[name] * np.nan}), [dropped]) <= before + 1e-9).all()


def test_a_chosen_confidence_is_not_counted_twice():
    from dataclasses import replace

    cube = quiet_cube()
    for name, more in (("wind_speed", 4.0), ("wind_speed_of_gust", 5.0)):
        cube[name] = (cube[name] + more).assign_attrs(cube[name].attrs)
    conditions = derive(cube, height=60.0)
    told = []
    for confidence in (0.5, 0.95):
        limits = replace(LIMITS, confidence=confidence)
        for ensembles in ([], [members_cube(9)]):
            found = judge_site_chance(
                conditions, assess(conditions, limits), RUN, height=60.0, site=SITE, limits=limits, central=cube,
                ensembles=ensembles,
            )  # fmt: skip
            told.append(found.hours.values)
    assert (told[0] < 0.94).all()
    assert told[0] == pytest.approx(told[2])
    assert told[1] == pytest.approx(told[3])
