"""Print the lowest version that is declared of each dependency, as constraints for pip."""

import re
import sys
import tomllib
from pathlib import Path

project = tomllib.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))["project"]
for dependency in project["dependencies"]:
    lowest = re.fullmatch(r"([\w.-]+)(?:\[[\w,-]+\])?>=([\w.]+)", dependency)
    if lowest is None:
        sys.exit(f"'{dependency}' declares no lowest version; wanted 'name>=version'")
    print(f"{lowest[1]}=={lowest[2]}")
