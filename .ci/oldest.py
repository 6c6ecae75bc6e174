"""Print the oldest version that each run-time dependency allows, one pinned requirement a line."""

import re
import sys
import tomllib
from pathlib import Path

for line in tomllib.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))["project"]["dependencies"]:
    name, version = re.fullmatch(r"([A-Za-z0-9._-]+)>=([0-9.]+),.*", line).groups()
    sys.stdout.write(f"{name}=={version}\n")
