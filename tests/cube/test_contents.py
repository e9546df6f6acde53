"""Every attribute and coordinate of a stranger's file: of the right type, or one line that names it."""

import numpy as np
import pytest
import xarray as xr

from tests.cubes import quiet_cube
from tests.halves import spread
from wxfly.cube.contents import OF_CUBE, OF_VARIABLE, check_contents
from wxfly.cube.contract import from_file, spans_of, state_spans, to_file
from wxfly.cube.netcdf import load_cube
from wxfly.errors import WxflyError
from wxfly.retrieval import files
from wxfly.retrieval.places import load_manifest, shipped_folder

ODD = {
    "a text": "x", "an empty text": "", "a number": 3.5, "a large number": 10**12, "not a number": np.nan,
    "numbers": np.array([1.0, 2.0, 3.0]), "a pair": np.array([5.0, -5.0]), "an endless pair": np.array([-np.inf, 1.0]),
    "nothing": None, "no numbers": np.array([]), "control letters": "\x1b[31mred\x00",
}  # fmt: skip


@pytest.fixture
def cube():
    """Return a cube as a file has it."""
    return to_file(quiet_cube(hours=30)).expand_dims(site=np.array(["here"], dtype=object), axis=1).assign_coords(
        latitude=("site", [52.0]), longitude=("site", [6.0]), surface_altitude=("site", [30.0])
    )  # fmt: skip


def test_a_sound_cube_passes_as_it_is(cube):
    xr.testing.assert_identical(check_contents(cube, "a.nc"), from_file(cube))
    for entry in load_manifest()["files"]:
        shipped = load_cube(shipped_folder() / entry["file"])
        checked = check_contents(to_file(shipped), "a.nc")
        xr.testing.assert_equal(checked, shipped)
        assert checked.attrs == shipped.attrs


@pytest.mark.parametrize("odd", spread(ODD, 3))
def test_an_odd_attribute_is_one_line_that_names_it(cube, odd):
    for name in OF_CUBE:
        _one_line(cube.assign_attrs({name: ODD[odd]}), name)
    for variable in ("wind_speed", "kp_index", "latitude", "height"):
        for name in OF_VARIABLE:
            changed = cube.copy()
            changed[variable].attrs[name] = ODD[odd]
            _one_line(changed, name)


@pytest.mark.thorough
@pytest.mark.parametrize("odd", spread(ODD, 11))
def test_odd_attributes_are_no_traceback_of_the_command(cube, odd, wxfly, monkeypatch, tmp_path):
    """All that the door lets through at once, and what it does not know, through the whole of a question."""
    let_through = cube.assign_attrs(hours=ODD[odd], phase_heights=ODD[odd], required=ODD[odd])
    for name in (n for n in OF_CUBE if n not in ("source", "institution", "license", "attribution")):
        let_through = _if_let_through(let_through, None, name, ODD[odd])
    for variable in (*cube.data_vars, *cube.coords):
        for name in (n for n in OF_VARIABLE if n != "units"):
            let_through = _if_let_through(let_through, variable, name, ODD[odd])
    monkeypatch.setattr(files, "read_foreign", lambda path: check_contents(let_through, path.name))
    code, out, err = wxfly("best", "--forecast", str(tmp_path / "a.nc"))
    assert code in (0, 1), err
    assert "fault of wxfly" not in err
    assert "\x1b" not in out + err


def _if_let_through(cube, variable, name, value):
    changed = cube.copy()
    (changed if variable is None else changed[variable]).attrs[name] = value
    try:
        check_contents(changed if variable is None else changed[[variable]], "a.nc")
    except WxflyError:
        return cube
    return changed


def _at(name, values, dims=None):
    def change(cube):
        return cube.drop_vars(name).assign_coords({name: (cube[name].dims if dims is None else dims, values)})

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_at("latitude", ["north"]), "latitude holds .*, wanted numbers"),
        (_at("latitude", [95.0]), "latitude 95 is not between -90 and 90"),
        (_at("longitude", [250.0]), "longitude 250 is not between -180 and 180"),
        (_at("surface_altitude", [99_999.0]), "surface_altitude 99999 is not between"),
        (_at("latitude", 52.0 + np.zeros(30), ("time",)), r"latitude has the dimensions \(time\), wanted \(site\)"),
        (_at("time", np.arange(30), ("time",)), "time holds int64, wanted times"),
        (_at("forecast_reference_time", "today", ()), "forecast_reference_time holds .*, wanted times"),
        (_at("height", [b"a", b"b", b"c"]), "height holds .*, wanted numbers"),
        (_at("site", [3.0]), "site holds float64, wanted texts"),
        (_at("time_bnds", np.zeros((30, 2))), "time_bnds holds float64, wanted times"),
        (
            _at("time_bnds", np.zeros(30, "M8[ns]"), ("time",)),
            r"time_bnds has the shape \(30,\), wanted \(time, bnds\)",
        ),
        (lambda cube: cube.reset_coords("time_bnds"), "time_bnds is not a coordinate of it"),
        (lambda cube: cube.isel(site=slice(0, 0)), "there is no site in it"),
        (_at("latitude", 52.0, ()), r"latitude has the dimensions \(\), wanted \(site\)"),
        (_at("surface_altitude", 30.0, ()), r"surface_altitude has the dimensions \(\), wanted \(site\)"),
        (
            lambda cube: cube.isel(site=0).expand_dims("latitude"),
            r"its places have the dimensions \(latitude\), wanted \(site\)",
        ),
        (lambda cube: cube.reset_coords("latitude"), "latitude is not a coordinate of it"),
        (
            lambda cube: cube.expand_dims(realization=[0.5]),
            "realization holds something that is not a whole number",
        ),
        (
            lambda cube: cube.assign_attrs(carried="wind_speed ten"),
            "the attribute 'carried' is 'wind_speed ten', wanted",
        ),
        (
            lambda cube: cube.assign_attrs(missing_members="many"),
            "the attribute 'missing_members' is 'many', wanted a whole number",
        ),
        (lambda cube: cube.assign_attrs(model=7), "the attribute 'model' is of another kind, wanted a text"),
    ],
)
def test_a_coordinate_or_attribute_of_a_wrong_kind_is_one_line(cube, change, words):
    with pytest.raises(WxflyError, match=f"^a.nc: {words}") as caught:
        check_contents(change(cube), "a.nc")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("span", [(-1, 0), (-3, 0), (-0.5, 0), (0, 1)])
def test_bounds_of_another_name_say_what_a_value_covers(cube, span):
    made = state_spans(cube, dict.fromkeys(("precipitation_amount", "wind_speed_of_gust", "wind_speed"), span))
    given = made.rename(time_bnds="bounds_of_time", bnds="nv")
    given["time"].attrs["bounds"] = "bounds_of_time"
    back = check_contents(given, "a.nc")
    assert spans_of(back) == spans_of(made)
    assert spans_of(back)["wind_speed"] == span
    assert back["wind_speed"].attrs["cell_methods"] == "time: mean"
    xr.testing.assert_identical(back, from_file(made))


def _one_line(cube, name):
    try:
        back = check_contents(cube, "a.nc")
    except WxflyError as fault:
        assert f"the attribute '{name}' is" in str(fault)
        assert "wanted" in str(fault)
        assert "\n" not in str(fault)
        assert str(fault).isprintable()
    else:
        assert all(v.isprintable() for v in back.attrs.values() if isinstance(v, str))
