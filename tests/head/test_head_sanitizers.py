"""The core's tests once more with the address sanitizer in it: no byte is read or written beyond a buffer."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.head import firmware_rig as rig


def sanitizer() -> str:
    """The compiler's address sanitizer, which must be loaded before anything else."""
    if shutil.which("cc") is None or shutil.which("make") is None:
        pytest.skip("no C compiler: the head's core is not tested")
    found = subprocess.run(["cc", "-print-file-name=libasan.so"], capture_output=True, text=True, check=True).stdout
    if not Path(found.strip()).is_absolute():
        pytest.skip("no address sanitizer with this compiler")
    return found.strip()


def sanitized(folder: Path, *command: str) -> "subprocess.CompletedProcess[str]":
    """Run with the sanitized core."""
    loaded = {"LD_PRELOAD": sanitizer(), "ASAN_OPTIONS": "detect_leaks=0", "PYTHONMALLOC": "malloc"}
    words = ["make", "-s", "core", f"OUT={folder}", "SANITIZE=address,undefined"]
    subprocess.run(words, cwd=rig.HEAD, check=True, timeout=rig.BUILD_S, capture_output=True)
    env = {**os.environ, **loaded, "CAMDRIFT_HEAD_CORE": str(folder / "libhead.so")}
    return subprocess.run(command, env=env, capture_output=True, text=True, timeout=rig.RUN_S, check=False)


@pytest.mark.slow
def test_the_core_stays_within_its_buffers(tmp_path: Path) -> None:
    """All tests of the core."""
    tests = str(Path(__file__).with_name("test_head_core.py"))
    done = sanitized(tmp_path, sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:cacheprovider", tests)
    assert done.returncode == 0 and "100%" in done.stdout, done.stdout[-2_000:] + done.stderr[-2_000:]


@pytest.mark.slow
def test_the_sanitizer_is_at_work(tmp_path: Path) -> None:
    """A byte beyond the buffer ends the program, and the report names the function."""
    beyond = (
        "import ctypes, os; c = ctypes.CDLL(os.environ['CAMDRIFT_HEAD_CORE']); b = ctypes.create_string_buffer(8); "
    )
    done = sanitized(
        tmp_path, sys.executable, "-c", beyond + "c.cobs_encode(b, 4_000, ctypes.create_string_buffer(9_000))"
    )
    assert done.returncode != 0 and "AddressSanitizer" in done.stderr and "cobs_encode" in done.stderr
