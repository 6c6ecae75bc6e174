"""Records of commissionings in the data folder: one file for each engine, and those of earlier fittings beside it.

`commission-ENGINE.json` holds the record as `worksheet/commission_record.py` has it, with `open`, the titles of tasks
that are not right yet; `commission-ENGINE.txt` the same to print. Only the daemon writes them, whole or not at all.
An earlier fitting is `commission-ENGINE-YYYYMMDDTHHMMSSZ.json` and `.txt`.
"""

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gateway.model.errors import Refused
from gateway.model.files import UnfitFile, read_small
from gateway.store.whole_file import storage_error, write_whole
from gateway.worksheet import commission_record as records

RECORD_BYTES_MAX = 1_000_000
EARLIER_MAX = 100
"""An engine is fitted with a head a few times in its life."""
MODE = 0o640
_NAME = re.compile(r"commission-([a-z0-9-]{1,32}?)(-\d{8}T\d{6}Z)?\.json")


@dataclass(frozen=True, slots=True)
class KeptRecord:
    """One commissioning as it is kept. `text`: as it is printed. `open`: titles of tasks that are not right yet; empty
    = complete. `signed`: names under it, each with `role`, `name`, `by`, `utc` and `valid` (nothing was changed since).
    `earlier`: of an earlier fitting. `fault`: why the file cannot be read; then all else is empty."""

    engine: str
    path: Path
    text: str = ""
    open: tuple[str, ...] = ()
    signed: tuple[Mapping[str, Any], ...] = ()
    earlier: bool = False
    fault: str = ""

    @property
    def complete(self) -> bool:
        """Were all tasks done and right?"""
        return not self.open and not self.fault


def kept_records(folder: Path, vessel: str) -> tuple[KeptRecord, ...]:
    """All commissionings in a data folder, by engine, the newest first: what a survey takes them from."""
    named = [(path, _NAME.fullmatch(path.name)) for path in folder.glob("commission-*.json")]
    found = [_kept(path, vessel, name[1], bool(name[2])) for path, name in named if name is not None]
    # The present one stands before earlier ones, and those backwards in time.
    found.sort(key=lambda r: r.path.name, reverse=True)
    found.sort(key=lambda r: (r.engine, r.earlier))
    return tuple(found)


def _kept(path: Path, vessel: str, engine: str, earlier: bool) -> KeptRecord:
    try:
        record = records.checked(json.loads(read_small(path, RECORD_BYTES_MAX)), vessel, engine)
        text = read_small(path.with_suffix(".txt"), RECORD_BYTES_MAX).decode()
    except (UnfitFile, Refused, ValueError, OSError) as e:
        return KeptRecord(engine, path, earlier=earlier, fault=f"{path}: {e}")
    titles = tuple(str(t) for t in record.get("open", []))
    return KeptRecord(engine, path, text.rstrip("\n"), titles, tuple(records.signatures(record)), earlier)


class CommissionFile:
    """The present record of one engine. Used by one thread at a time."""

    def __init__(self, folder: Path, vessel: str, engine: str) -> None:
        self._folder, self._vessel, self._engine = folder, vessel, engine
        self.path = folder / f"commission-{engine}.json"
        self.printed = self.path.with_suffix(".txt")

    def load(self) -> dict[str, Any]:
        """The record, an empty one where there is none. Raises Refused for a file that is none."""
        if not self.path.exists():
            return records.empty(self._vessel, self._engine)
        try:
            return records.checked(json.loads(read_small(self.path, RECORD_BYTES_MAX)), self._vessel, self._engine)
        except (UnfitFile, ValueError, Refused) as e:
            raise Refused(f"{self.path}: {e}; move it away to begin again") from None

    def keep(self, record: Mapping[str, Any], text: str) -> None:
        """Write both files. Raises StorageError."""
        write_whole(self.path, json.dumps(record, indent=1, ensure_ascii=False).encode(), MODE)
        write_whole(self.printed, (text + "\n").encode(), MODE)

    def archive(self, utc: str) -> None:
        """The present record becomes one of an earlier fitting. `utc`: RFC 3339. Raises Refused, StorageError."""
        if len(list(self._folder.glob(f"commission-{self._engine}-*.json"))) >= EARLIER_MAX:
            raise Refused(f"{EARLIER_MAX} earlier records are kept; move some of them away")
        stamp = re.sub(r"[-:]|\.\d+", "", utc)
        for path in (self.printed, self.path):
            try:
                os.rename(path, path.with_name(f"{path.stem}-{stamp}{path.suffix}"))
            except FileNotFoundError:
                continue
            except OSError as e:
                raise storage_error(path, e) from None
