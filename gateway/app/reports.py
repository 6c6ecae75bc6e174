"""Reports for the page: each is made by a process of its own, one at a time, within bounds of time and size."""

import json
import os
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

from gateway.model.errors import Refused, StorageError
from gateway.model.settings import Settings
from gateway.model.settings_file import settings_json

MADE_WITHIN_S = 120.0
BYTES_MAX = 8_000_000
"""Five years of two engines are 0.3 MB."""
WORDS_MAX = 1_000
MODULE = "gateway.cli.page_report"


class Reports:
    """Makes reports from the store in `data_dir`."""

    def __init__(self, settings: Settings, data_dir: Path) -> None:
        self._settings, self._data_dir = settings, data_dir
        self._maker = ReportMaker()

    def make(self, engine: str | None, from_s: float, to_s: float, names: bool, kind: str) -> bytes:
        """The report; `names`: of people too; `kind` as in `cli/page_report.py`. Takes seconds.

        Raises Refused, StorageError."""
        asked = {"engine": engine, "from_s": from_s, "to_s": to_s, "names": names, "kind": kind}
        return self._maker.make(self._settings, asked | {"data_dir": str(self._data_dir)})


class ReportMaker:
    """Has reports made, one at a time."""

    def __init__(self) -> None:
        self._one = threading.Lock()

    def make(self, settings: Settings, asked: dict[str, Any]) -> bytes:
        """The file. `asked`: as `gateway.cli.page_report` takes it. Raises Refused, StorageError."""
        if not self._one.acquire(blocking=False):
            raise Refused("another report is being made; try again in a minute")
        try:
            return self._made(asked | {"settings": json.loads(settings_json(settings))})
        finally:
            self._one.release()

    def _made(self, question: dict[str, Any]) -> bytes:
        request = json.dumps(question).encode()
        env = os.environ | {"OPENBLAS_NUM_THREADS": "1", "LANG": "C.UTF-8", "PYTHONUTF8": "1"}
        try:
            with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as why:
                # A file takes what it writes: no pipe has to be read while it works, and no page of it is held here.
                done = subprocess.run(
                    [sys.executable, "-m", MODULE], input=request, stdout=out, stderr=why, env=env,
                    timeout=MADE_WITHIN_S, check=False,
                )  # fmt: skip
                size = out.seek(0, os.SEEK_END)
                out.seek(0)
                why.seek(0)
                if done.returncode == 0 and 0 < size <= BYTES_MAX:
                    return out.read()
                text = why.read(WORDS_MAX).decode("utf-8", "replace").strip()
        except subprocess.TimeoutExpired:
            raise Refused(f"the report was not made within {MADE_WITHIN_S:g} s; give a shorter period") from None
        except OSError as e:
            raise StorageError(f"the report cannot be made: {e.strerror}; look at the disk and at memory") from None
        if done.returncode == 1 and text and "Traceback" not in text:
            raise Refused(text)
        reason = text.splitlines()[-1] if text else f"exit status {done.returncode}, {size:,} bytes"
        raise StorageError(f"the report could not be made ({reason:.200}); use `camdrift report` in a terminal")
