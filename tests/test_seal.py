"""The line behind a netCDF file: what fits is read, what does not never reaches the HDF5 library."""

import hashlib
import shutil
import subprocess

import pytest
import xarray as xr

from tests.cubes import quiet_cube
from tests.test_store import HERE, cube_at
from wxfly import netcdf, seal, store
from wxfly.errors import WxflyError
from wxfly.netcdf import load_cube, save_cube
from wxfly.seal import Seal, read_seal, sealed


@pytest.fixture
def path(tmp_path):
    save_cube(quiet_cube(hours=5), tmp_path / "a.nc")
    return tmp_path / "a.nc"


def without_seal(path):
    """Give the file as a wxfly without seals wrote it."""
    content, words, _ = path.read_bytes().rpartition(b"\nsha256 of the bytes before this line: ")
    assert words
    return content


def damage(content):
    """Zero a block of the texts that HDF5 keeps together: the library then looks for the next text for ever."""
    start = content.index(b"GCOL") + 512
    return content[:start] + bytes(512) + content[start + 512 :]


def test_the_line_can_be_read_and_compared_by_a_person(path):
    content, line = path.read_bytes().rsplit(b"\n", 2)[:2]
    assert line == b"sha256 of the bytes before this line: " + hashlib.sha256(content).hexdigest().encode()
    assert read_seal(path) is Seal.FITS


@pytest.mark.parametrize("content", [b"", b"\n", b"x" * 5_000_000])
def test_any_content_is_sealed_and_any_change_breaks_it(tmp_path, content):
    file = tmp_path / "a"
    file.write_bytes(sealed(content))
    assert read_seal(file) is Seal.FITS
    file.write_bytes(b"y" + sealed(content))
    assert read_seal(file) is Seal.BROKEN
    file.write_bytes(sealed(content)[:-1])
    assert read_seal(file) is Seal.ABSENT
    file.write_bytes(content)
    assert read_seal(file) is Seal.ABSENT


@pytest.mark.skipif(shutil.which("ncdump") is None, reason="ncdump (netcdf-bin) is not installed")
def test_netcdf_tools_do_not_mind_the_line(path):
    told = subprocess.run(["ncdump", path], capture_output=True, text=True, check=True)
    assert "wind_speed_of_gust" in told.stdout
    assert told.stderr == ""


def test_xarray_does_not_mind_the_line(path):
    xr.testing.assert_identical(xr.open_dataset(path, engine="h5netcdf").load(), load_cube(path))


@pytest.mark.parametrize("verify", [True, False])
def test_a_damaged_file_never_reaches_the_library(path, monkeypatch, verify):
    path.write_bytes(damage(path.read_bytes()))
    monkeypatch.setattr(netcdf, "_read", lambda _: pytest.fail("opened"))
    monkeypatch.setattr(seal, "_ends", lambda *_: pytest.fail("tried"))
    with pytest.raises(WxflyError, match="damaged, its checksum does not fit; remove it and fetch again"):
        load_cube(path, verify=verify)


def test_a_file_without_the_line_is_read_and_held_against_the_checksum_in_it(path):
    whole = load_cube(path)
    path.write_bytes(without_seal(path))
    assert read_seal(path) is Seal.ABSENT
    xr.testing.assert_identical(load_cube(path, verify=True), whole)
    cube = whole.copy(deep=True)
    cube["wind_speed_of_gust"].values.flat[0] += 1.0
    cube.to_netcdf(path, engine="h5netcdf")
    with pytest.raises(WxflyError, match="damaged, its checksum does not fit"):
        load_cube(path, verify=True)


def test_a_file_without_the_line_that_would_never_be_read_is_refused(path, monkeypatch):
    monkeypatch.setattr(seal, "TRIAL_SECONDS", 6.0)
    path.write_bytes(damage(without_seal(path)))
    with pytest.raises(WxflyError, match="damaged, it cannot be read to its end; remove it and fetch again"):
        load_cube(path)


def test_a_trial_that_cannot_begin_counts_as_failed(path, monkeypatch):
    path.write_bytes(without_seal(path))
    seal._ends.cache_clear()
    monkeypatch.setattr("sys.executable", "")
    with pytest.raises(WxflyError, match="cannot be read to its end"):
        load_cube(path)


@pytest.mark.parametrize("has_line", [True, False])
def test_the_store_passes_over_lists_and_clears_a_file_that_would_never_be_read(has_line, monkeypatch, tmp_path):
    from wxfly import store_commands

    monkeypatch.setattr(seal, "TRIAL_SECONDS", 6.0)
    (path,) = store.keep_forecast(cube_at(HERE))
    path.write_bytes(damage(path.read_bytes() if has_line else without_seal(path)))
    assert store.find_forecast(*HERE, "icon_eu") is None
    assert "damaged, it" in store_commands.list_store(tmp_path / "none", check=True)
    assert f"removed {path}" in store_commands.prune(damaged=True)
    assert not path.exists()


def test_a_file_is_tried_once_and_again_when_it_was_changed(path, monkeypatch):
    tried = []
    run = subprocess.run
    monkeypatch.setattr(subprocess, "run", lambda *a, **k: (tried.append(1), run(*a, **k))[1])
    path.write_bytes(without_seal(path))
    for _ in range(3):
        load_cube(path)
    assert len(tried) == 1
    path.write_bytes(path.read_bytes() + b" ")
    load_cube(path)
    assert len(tried) == 2
