"""The environment that the service unit gives the daemon, with all it imports compiled for it, as INSTALL.md says."""

import atexit
import os
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "ship" / "camdrift.service"
NOT_NEEDED = r"[/\\](test|tests|idlelib|lib2to3|tkinter)[/\\]"


@cache
def service_environment() -> dict[str, str]:
    """The unit's `Environment=`; the compiled files lie in a folder that goes with this process (half a minute)."""
    lines = (x for x in UNIT.read_text(encoding="utf-8").splitlines() if x.startswith("Environment="))
    env = dict(pair.split("=", 1) for x in lines for pair in x.partition("=")[2].split())
    compiled = tempfile.mkdtemp(prefix="camdrift-compiled-")
    atexit.register(shutil.rmtree, compiled, ignore_errors=True)
    env["PYTHONPYCACHEPREFIX"] = compiled
    places = (sysconfig.get_path("purelib"), sysconfig.get_path("stdlib"), str(ROOT / "gateway"))
    command = [sys.executable, "-OO", "-m", "compileall", "-qq", "-j", "2", "-x", NOT_NEEDED, *places]
    subprocess.run(command, env={**os.environ, "PYTHONPYCACHEPREFIX": compiled}, check=False)
    return env
