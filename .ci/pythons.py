"""Print the oldest and the newest Python of this machine that wxfly is tried on, a path a line.

Looked for on PATH and among the versions of pyenv. Where there is but one, both lines are the same.
"""

import os
import subprocess
import sys
from pathlib import Path

WANTED = ("3.11", "3.12", "3.13")  # the first as in pyproject.toml; the last is the newest that the suite is held to
ASKED = "import ensurepip, sys, venv; print('%d.%d' % sys.version_info[:2])"

pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
folders = [*map(Path, os.get_exec_path()), *(version / "bin" for version in sorted(pyenv.glob("3.*"), reverse=True))]
found: dict[str, Path] = {}
for path in [Path(sys.executable), *(folder / f"python{version}" for version in WANTED for folder in folders)]:
    if path.is_file():  # one that pyenv only promises, or that has no venv, ends in an error
        told = subprocess.run([path, "-c", ASKED], capture_output=True, text=True, check=False).stdout.strip()
        if told in WANTED:
            found.setdefault(told, path)
if not found:
    sys.exit(f"no Python of {', '.join(WANTED)} that can make an environment is on this machine")
versions = [version for version in WANTED if version in found]
print(found[versions[0]], found[versions[-1]], sep="\n")
