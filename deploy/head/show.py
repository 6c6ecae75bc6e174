"""Build the firmware, run it in the emulated chip before the gateway, and show it on the page. Ctrl-C ends it.

Installs what is missing into the project's own folders: .venv and deploy/head/build. Usage: show.py [--seconds S]
[--port P]. Exit status 1 where no figure came within the seconds.
"""

import argparse
import contextlib
import importlib.util
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from types import FrameType
from typing import Any

HEAD = Path(__file__).resolve().parent
ROOT = HEAD.parents[1]
EMULATOR = "rp2040js@1.4.1"
PACKAGES = {"arm-none-eabi-gcc": "gcc-arm-none-eabi", "make": "make", "node": "nodejs", "npm": "npm"}
EVERY_S, START_S = 5.0, 60.0


def main() -> int:
    """0 where figures came from the chip to the page."""
    p = argparse.ArgumentParser(description="the firmware in the emulated chip, on the gateway's page")
    p.add_argument("--seconds", type=float, default=float("inf"), help="end after so many (default: at Ctrl-C)")
    p.add_argument("--port", type=int, default=8484, help="of the page, on this machine only (default: 8484)")
    args = p.parse_args()
    missing = [package for tool, package in PACKAGES.items() if shutil.which(tool) is None]
    if missing:
        sys.exit(f"not installed: {' '.join(missing)}. Debian: sudo apt install {' '.join(missing)} python3-venv")
    signal.signal(signal.SIGTERM, _end)
    with contextlib.suppress(KeyboardInterrupt):
        return show(_python(), _emulator(), args.seconds, args.port)
    return 0


def show_line(text: str) -> None:
    """To standard output, at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _end(_signal: int, _frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _python() -> str:
    """An interpreter that has the gateway: this one, or the project's own."""
    if importlib.util.find_spec("gateway") is not None:
        return sys.executable
    python = ROOT / ".venv" / "bin" / "python"
    if not (ROOT / ".venv" / "bin" / "camdrift").exists():
        show_line("Installing the gateway into .venv ...")
        subprocess.run([sys.executable, "-m", "venv", ROOT / ".venv"], check=True)
        subprocess.run([python, "-m", "pip", "install", "-q", "-e", ROOT], check=True)
    return str(python)


def _emulator() -> Path:
    """The folder with the emulated chip."""
    folder = Path(os.environ.get("CAMDRIFT_EMULATOR", HEAD / "build"))
    if not (folder / "node_modules" / "rp2040js" / "package.json").exists():
        show_line("Installing the emulated chip ...")
        words = ["npm", "install", "--silent", "--no-save", "--no-package-lock", "--no-audit", "--no-fund"]
        folder.mkdir(parents=True, exist_ok=True)
        subprocess.run([*words, "--prefix", folder, EMULATOR], check=True)
    return folder


def show(python: str, emulator: Path, seconds: float, port: int) -> int:
    """Run both, and print what the page shows."""
    with tempfile.TemporaryDirectory(prefix="camdrift-show-") as folder, contextlib.ExitStack() as end:
        config = settings(Path(folder), port)
        env = {**os.environ, "CAMDRIFT_EMULATOR": str(emulator)}
        link = str(Path(folder) / "head")
        words = ["-m", "firmware_sim.cli", "steady", "--emulated", "--firmware", str(HEAD), "--pty", "--link", link]
        # The chip's own words, such as the name of its pty, are for a log.
        head = end.enter_context(_running([python, *words], env, Path(folder) / "head.log"))
        gateway = end.enter_context(
            _running([python, "-m", "gateway.cli", "run", str(config)], env, Path(folder) / "gateway.log")
        )
        until_s, seen = time.monotonic() + START_S, False
        show_line(f"The page: http://127.0.0.1:{port}  (the firmware runs in the emulated chip; Ctrl-C ends)")
        began_s: float | None = None
        while began_s is None or time.monotonic() - began_s < seconds:
            for child, log in ((head, "head.log"), (gateway, "gateway.log")):
                if child.poll() is not None:
                    sys.exit((Path(folder) / log).read_text(errors="replace")[-2_000:] or f"{log}: it ended")
            time.sleep(min(EVERY_S, seconds / 10))
            engine = _present(port)
            if began_s is None:
                if engine is None and time.monotonic() > until_s:
                    sys.exit("the page does not answer")
                began_s = time.monotonic() if engine and engine["head_heard"] else None
            if engine is not None:
                rpm, spring, lag = engine["rpm"] or 0.0, engine["spring_mm"]["value"], engine["lag_deg"]["value"]
                seen |= rpm > 0 and spring is not None and lag is not None
                length = "length not known" if spring is None else f"spring {spring:.2f} mm"
                late = "lag not known" if lag is None else f"lag {lag:+.3f}°"
                show_line(f"{rpm:.1f} rpm, {length}, {late}, {engine['running']}")
        return 0 if seen else 1


def settings(folder: Path, port: int) -> Path:
    """The invented vessel's, with this head and page, and no broker."""
    text = (ROOT / "config" / "tern-passage.toml").read_text(encoding="utf-8")
    text = text[: text.index("[[broker]]")]
    for old, new in (
        (r"^data_dir = .*$", f'data_dir = "{folder}/data"'),
        (r'^name = "port-head".*$', 'name = "head"'),
        (r'^port = "/dev/.*$', f'port = "{folder}/head"'),
        (r"^port = 8484$", f"port = {port}"),
    ):
        text = re.sub(old, new, text, count=1, flags=re.MULTILINE)
    path = folder / "ship.toml"
    path.write_text(text, encoding="utf-8")
    return path


@contextlib.contextmanager
def _running(words: list[str], env: dict[str, str], log: Path) -> Iterator["subprocess.Popen[bytes]"]:
    with log.open("wb") as out:
        child = subprocess.Popen(words, env=env, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=out, stderr=out)
    try:
        yield child
    finally:
        child.terminate()
        try:
            child.wait(10)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _present(port: int) -> dict[str, Any] | None:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/present", timeout=5) as answer:
            return dict(json.load(answer)["engines"][0])
    except (OSError, ValueError):
        return None


if __name__ == "__main__":
    sys.exit(main())
