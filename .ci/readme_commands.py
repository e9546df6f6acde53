"""Print the shell commands of the README's first section, one a line, as they stand there."""

import re
import sys
from pathlib import Path

text = Path(sys.argv[1]).read_text(encoding="utf-8")
section = re.search(r"^## Two commands$(.*?)^## ", text, re.MULTILINE | re.DOTALL)
if section is None:
    sys.exit("the README has no section '## Two commands'")
commands = [line for block in re.findall(r"```sh\n(.*?)```", section[1], re.DOTALL) for line in block.splitlines()]
if len(commands) != 2:
    sys.exit(f"the README's section has {len(commands)} commands, wanted 2")
print("\n".join(commands))
