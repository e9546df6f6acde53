"""Answers written to files: in place of nothing or of what wxfly wrote, unless the pilot says so."""

import os
import threading

import pytest

from tests.halves import spread
from wxfly.errors import WxflyError
from wxfly.report.formats import write_answer

SITES = "[heath]\nlatitude = 52.31\nlongitude = 6.84\n"


@pytest.mark.parametrize(("command", "option"), spread([("best", "--ics"), ("best", "--html"), ("brief", "--html")], 3))
def test_a_file_of_another_program_is_not_lost(wxfly, own_folders, tmp_path, command, option):
    path = tmp_path / "thesis"
    path.write_text("years of work")
    code, out, err = wxfly(
        command, "Kelderness", "--rank" if command == "brief" else "--height", "1", option, str(path)
    )
    assert (code, out) == (1, "")
    assert f"{path} is there already, 13 bytes that wxfly did not write; give another name, or add --overwrite" in err
    assert path.read_text() == "years of work"
    for more in (["--overwrite"], []):  # the second time it is a file of ours
        assert wxfly(command, "Kelderness", option, str(path), *more)[0] == 0
        assert b"wxfly" in path.read_bytes()


@pytest.mark.parametrize("more", [[], ["--overwrite"]])
def test_what_wxfly_keeps_is_never_written_over(wxfly, own_folders, tmp_path, more):
    folder = own_folders / "config"
    folder.mkdir()
    (folder / "sites.toml").write_text(SITES)
    (tmp_path / "page.html").symlink_to(folder / "sites.toml")
    for place in (folder / "sites.toml", tmp_path / "page.html", folder / "new.html"):
        code, _, err = wxfly("best", "Kelderness", "--html", str(place), *more)
        assert code == 1
        assert "lies among the settings of wxfly, where no answer is written; give another place" in err
    assert (folder / "sites.toml").read_text() == SITES
    (own_folders / "cache").mkdir()
    assert (
        "among the store of wxfly" in wxfly("best", "Kelderness", "--ics", str(own_folders / "cache" / "a"), *more)[2]
    )


def test_an_empty_file_and_a_pipe_are_written(tmp_path):
    (tmp_path / "empty").touch()
    write_answer(tmp_path / "empty", b"answer", overwrite=False)
    assert (tmp_path / "empty").read_bytes() == b"answer"
    with pytest.raises(WxflyError, match="6 bytes that wxfly did not write"):
        write_answer(tmp_path / "empty", b"another", overwrite=False)
    os.mkfifo(tmp_path / "pipe")
    read = []
    reader = threading.Thread(target=lambda: read.append((tmp_path / "pipe").read_bytes()))
    reader.start()
    write_answer(tmp_path / "pipe", b"answer", overwrite=False)
    reader.join(10)
    assert read == [b"answer"]
