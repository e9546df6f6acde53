"""The public face: a dozen names, imported when they are asked for, that print nothing."""

import importlib.resources
import os
import subprocess
import sys

import pytest

import wxfly


def test_import_alone_brings_no_library():
    code = "import sys; before = set(sys.modules); import wxfly; print(*sorted(set(sys.modules) - before))"
    run = subprocess.run([sys.executable, "-I", "-c", code], capture_output=True, text=True, check=True, timeout=60)
    brought = set(run.stdout.split())
    assert "wxfly" in brought
    assert not {name.partition(".")[0] for name in brought} & {"numpy", "xarray", "pandas", "plotly", "httpx", "click"}
    assert [name for name in brought if name.startswith("wxfly.")] == []


@pytest.mark.thorough
def test_plotly_is_imported_for_a_figure_alone():
    code = (
        "import sys, wxfly\n"
        "answer = wxfly.best('Kelderness')\n"
        "answer.to_frame(), answer.text(), answer._repr_html_()\n"
        "assert 'plotly' not in sys.modules and 'httpx' not in sys.modules\n"
        "answer.figure()\n"
        "assert 'plotly' in sys.modules\n"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=120, env=os.environ
    )
    assert (run.returncode, run.stdout, run.stderr) == (0, "", "")


def test_every_name_is_there_and_the_list_is_what_is_shown():
    assert 8 <= len(wxfly.__all__) <= 12
    assert all(callable(getattr(wxfly, name)) for name in wxfly.__all__)
    assert set(dir(wxfly)) == {*wxfly.__all__, "__version__"}


def test_a_misspelt_name_is_told_the_nearest():
    with pytest.raises(AttributeError, match="did you mean 'find_windows'"):
        wxfly.find_window  # noqa: B018


def test_the_package_says_that_it_has_types():
    assert (importlib.resources.files("wxfly") / "py.typed").is_file()
