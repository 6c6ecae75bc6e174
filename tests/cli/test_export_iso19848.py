"""The ship's own ISO 19848 package, from a real store, by the command."""

import json
from pathlib import Path

import pytest

from gateway.cli.main import main
from gateway.encode.messages import gateway_event_body
from gateway.model.output import Batch
from gateway.model.records import Median
from gateway.model.settings_file import load_settings
from gateway.store.history import History
from gateway.store.state import NewEvent, StateStore

TERN = "config/tern-passage.toml"
UTC = 1_772_323_200.0


def test_package_and_channels(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Pins that history and events come as a package of strings whose channels are all in the channel list."""
    gateway = load_settings(Path(TERN)).gateway
    store = StateStore(tmp_path, gateway, brokers={})
    store.commit(
        Batch([NewEvent("camdrift/1/tern-passage/event", "gateway", gateway_event_body("started", UTC, version="1"))])
    )
    store.close()
    history = History(tmp_path, gateway.history_mb)
    history.add("main", Median(UTC, 21_400.5, 900, 0.85, 0.01, 181.2, 0.02, 96.0, 57.0, 48.0, 0.8))
    history.flush(all_minutes=True)
    history.close()
    common = [TERN, "--data-dir", str(tmp_path), "--ship-id", "IMO0000000"]
    assert main(["export", *common, "iso19848"]) == 0
    package = json.loads(capsys.readouterr().out)["Package"]
    assert package["Header"]["ShipID"] == "IMO0000000"
    text = json.dumps(package)
    assert '"0.8500"' in text or '"0.85"' in text
    assert "started" in text
    assert main(["export", *common, "channels"]) == 0
    listed = json.loads(capsys.readouterr().out)["Package"]["DataChannelList"]["DataChannel"]
    known = {c["DataChannelID"]["LocalID"] for c in listed}
    used = {c for s in package["TimeSeriesData"] for t in s.get("TabularData", []) for c in t["DataChannelID"]}
    assert used
    assert used <= known
