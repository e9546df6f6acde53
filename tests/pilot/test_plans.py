"""Saved plans: what is written is read back, and a damaged plan is never a looser one."""

import pytest

from wxfly.errors import WxflyError
from wxfly.pilot.options import Words
from wxfly.pilot.settings import find_plan, read_plans, remove_plan, save_plan


@pytest.fixture
def path(own_folders):
    (own_folders / "config").mkdir()
    return own_folders / "config" / "plans.toml"


def test_a_plan_is_read_back_and_comments_stay(path):
    path.write_text('# mine\n[field]\nheight = "40m" # low\n')
    save_plan(path, "roof", Words(height="260", limits=("gust=8",)), "imperial")
    assert path.read_text().startswith('# mine\n[field]\nheight = "40m" # low\n')
    assert find_plan(path, "roof") == Words(height="260ft", limits=("gust=8mph",))
    remove_plan(path, "roof")
    assert list(read_plans(path)) == ["field"]


def test_a_name_that_is_taken_is_kept_unless_said_otherwise(path):
    save_plan(path, "roof", Words(height="60m"), "metric")
    with pytest.raises(WxflyError, match="plan 'roof' is saved already; replace it with --replace"):
        save_plan(path, "roof", Words(height="80m"), "metric")
    assert find_plan(path, "roof").height == "60m"
    save_plan(path, "roof", Words(reserve=0.3), "metric", replace=True)
    assert find_plan(path, "roof") == Words(reserve=0.3)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[roof]\nheight = 60\n", "has no unit"),
        ('[roof]\nheight = "60m"\nlimit = ["gust=8"]\n', "without its unit"),
        ('[roof]\nheight = "60m"\nlimt = ["gust=8m/s"]\n', "did you mean 'limit'"),
        ("[roof]\nlimit = 8\n", "wanted a name or a list of names"),
        ('[roof]\nheight = "60m\n', "line 2"),
        ("roof = 3\n", "must be a table"),
        (b"\xff\xfe\x00", "UTF-16"),
    ],
)
def test_a_damaged_plan_is_refused_whole_with_the_way_out(path, text, told):
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(WxflyError) as fault:
        find_plan(path, "roof")
    assert told in str(fault.value)
    assert str(fault.value).endswith("mend it, or remove it with: wxfly plans remove roof")
    assert "\n" not in str(fault.value)


def test_a_damaged_plan_can_be_removed_and_hurts_no_other(path):
    path.write_text('[roof]\nheight = 60\n[field]\nheight = "40m"\n')
    assert find_plan(path, "field").height == "40m"
    remove_plan(path, "roof")
    assert path.read_text() == '[field]\nheight = "40m"\n'


def test_a_plan_that_is_not_saved_names_the_nearest(path):
    with pytest.raises(WxflyError, match="plan 'roof' is not saved, and no other is; save it with: wxfly plans add"):
        find_plan(path, "roof")
    save_plan(path, "roof", Words(height="60m"), "metric")
    with pytest.raises(WxflyError, match="plan 'rof' is not known; did you mean 'roof'"):
        find_plan(path, "rof")
    with pytest.raises(WxflyError, match="plan 'rof' is not known; did you mean 'roof'"):
        remove_plan(path, "rof")
