"""The report as a file: whole or not at all, as HTML, or as PDF through a browser that is aboard."""

import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
from pathlib import Path

from gateway.model.errors import Refused
from gateway.store.whole_file import storage_error, write_whole

SUFFIXES = (".html", ".htm", ".pdf")
BROWSERS = ("chromium", "chromium-browser")
PRINT_S = 90.0
FLAGS = (
    "--headless", "--disable-gpu", "--no-first-run", "--disable-sync", "--disable-extensions", "--disable-default-apps",
    "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage", "--disable-quic",
    "--no-pdf-header-footer",
    # The report refers to nothing outside itself; whatever the browser wants of its own ends here.
    "--host-resolver-rules=MAP * ~NOTFOUND",
)  # fmt: skip


def write_report(path: Path, html: str) -> None:
    """Write it under this name, of the kind of the name's ending.

    Raises StorageError where the disk refuses, Refused where no browser can make the PDF. What was there before stays
    until the new one is whole.
    """
    if path.suffix.lower() != ".pdf":
        write_whole(path, html.encode())
        return
    try:
        with tempfile.TemporaryDirectory(prefix="camdrift-report-") as folder:
            data = _printed(Path(folder), html)
    except OSError as e:
        raise storage_error(Path(e.filename or tempfile.gettempdir()), e) from None
    write_whole(path, data)


def browser() -> str | None:
    """The browser that is here, if any."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def _printed(folder: Path, html: str) -> bytes:
    program = browser()
    if program is None:
        raise Refused("no browser here that makes a PDF (Debian: chromium); give --out a name that ends in .html")
    source, made, log = folder / "report.html", folder / "report.pdf", folder / "log"
    source.write_text(html, encoding="utf-8")
    # A browser refuses its own sandbox as root; what it opens here runs no script and was written by this program.
    root = ["--no-sandbox"] if os.geteuid() == 0 else []
    words = [program, *FLAGS, *root, f"--user-data-dir={folder / 'profile'}", f"--print-to-pdf={made}", source.as_uri()]
    env = {"PATH": os.environ.get("PATH", os.defpath), "HOME": str(folder), "TMPDIR": str(folder), "LANG": "C.UTF-8"}
    with log.open("wb") as output:
        process = subprocess.Popen(
            words, stdin=subprocess.DEVNULL, stdout=output, stderr=output, env=env, cwd=folder, start_new_session=True
        )
        try:
            process.wait(PRINT_S)
        except subprocess.TimeoutExpired:
            raise Refused(f"{program} has not made the PDF within {PRINT_S:g} s; give a name in .html") from None
        finally:
            _end(process)
    if process.returncode or not made.exists():
        last = log.read_text("utf-8", "replace").strip().splitlines()[-1:]
        raise Refused(f"{program} made no PDF: {' '.join(last)[:200]}; give --out a name that ends in .html")
    return made.read_bytes()


def _end(process: "subprocess.Popen[bytes]") -> None:
    """The browser and all its helpers: they are a session of their own."""
    with contextlib.suppress(ProcessLookupError):
        os.killpg(process.pid, signal.SIGKILL)
    process.wait()
