"""What the ship has recorded and what the shore's keeper has kept, to be compared."""

import json
import sqlite3
from pathlib import Path
from typing import Any

import satellite_rig as sat

from gateway.store.reader import StateReader


def stored(data_dir: Path) -> list[tuple[int, dict[str, Any]]]:
    """(seq, message) of the ship's own record."""
    reader = StateReader(data_dir)
    rows = reader.events(0, 100_000)
    reader.close()
    return [(row.seq, json.loads(row.payload)) for row in rows]


def ashore(store: Path) -> list[tuple[int, dict[str, Any]]]:
    """(seq, message) in the order in which the keeper kept them; empty while it has no store."""
    try:
        return [(seq, json.loads(text)) for seq, text in sat.kept(store)]
    except sqlite3.Error:
        return []
